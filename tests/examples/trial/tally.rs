//! Verdicts against what is true: counts per condition.

use std::collections::BTreeMap;

use seatsong::inside::sample::Condition;
use seatsong::inside::score::{ClipVerdict, Half, JudgeSettings, Pattern, State, judge_all};

use crate::figures::Share;
use crate::make::Cell;
use crate::plan::{Kind, Wrong};

/// Error of the stroke rate beyond which it is another rhythm: a harmonic or another pump.
const OTHER_RHYTHM: f64 = 0.05;

/// What was found of one kind and level of fault.
#[derive(Debug, Clone)]
pub(crate) struct Group {
    /// The fault.
    pub(crate) wrong: Wrong,
    /// Departures of the faulty module's clips; an unjudged clip counts as 0, not found.
    pub(crate) departures: Vec<f64>,
    /// Clips with a departure above 1.
    pub(crate) found: Share,
    /// Walks with an alarm in which the faulty module departs most.
    pub(crate) right_module: Share,
    /// Found clips whose half is told right.
    pub(crate) right_half: Share,
    /// Found clips whose pattern is told right.
    pub(crate) right_pattern: Share,
    /// Patterns of the found clips.
    pub(crate) patterns: BTreeMap<String, u32>,
}

/// Everything counted under one condition.
#[derive(Debug)]
pub(crate) struct Tally {
    /// Condition.
    pub(crate) condition: Condition,
    /// Departures of healthy clips that were judged.
    pub(crate) healthy: Vec<f64>,
    /// Healthy clips that depart by more than 1.
    pub(crate) false_alarms: Share,
    /// The same by pattern.
    pub(crate) false_patterns: BTreeMap<String, u32>,
    /// By kind and level.
    pub(crate) groups: Vec<Group>,
    /// Relative errors of the stroke rate of all clips with a rhythm.
    pub(crate) spm_errors: Vec<f64>,
    /// Clips whose rate is off by more than 5 %.
    pub(crate) other_rhythm: Share,
    /// Clips without a verdict, with the reason's first words.
    pub(crate) unjudged: Vec<String>,
    /// Good clips that could not be used.
    pub(crate) bad_good: u32,
    /// Seconds spent judging.
    pub(crate) judging_s: f64,
}

fn word(pattern: Pattern) -> String {
    serde_json::to_value(pattern).ok().and_then(|v| v.as_str().map(str::to_owned)).unwrap_or_default()
}

/// Departures of a cell's clips by index into its jobs, for the peer.
pub(crate) type Departures = BTreeMap<usize, f64>;

impl Tally {
    /// Nothing counted yet.
    pub(crate) fn new(condition: Condition) -> Self {
        Self {
            condition,
            healthy: Vec::new(),
            false_alarms: Share::default(),
            false_patterns: BTreeMap::new(),
            groups: Vec::new(),
            spm_errors: Vec::new(),
            other_rhythm: Share::default(),
            unjudged: Vec::new(),
            bad_good: 0,
            judging_s: 0.0,
        }
    }

    /// Judges a cell and counts.
    pub(crate) fn add(&mut self, cell: &Cell) -> anyhow::Result<Departures> {
        let (goods, nows) = cell.parts();
        let take = |at: &[usize]| at.iter().map(|&k| cell.items[k].clone()).collect::<Vec<_>>();
        let started = std::time::Instant::now();
        let settings = JudgeSettings { order: cell.order.clone(), ..JudgeSettings::default() };
        let outcome = judge_all(&take(&goods), &take(&nows), &settings)?;
        self.judging_s += started.elapsed().as_secs_f64();
        self.bad_good += u32::try_from(cell.jobs.len() - goods.len() - nows.len()).unwrap_or(0);
        for &k in &goods {
            self.rate(cell.items[k].analysis.takes.first().map(|t| t.spm), cell.truth_spm[k]);
        }
        let mut walks: BTreeMap<&str, Vec<(usize, &ClipVerdict)>> = BTreeMap::new();
        let mut departures = BTreeMap::new();
        for (&k, verdict) in nows.iter().zip(&outcome.clips) {
            self.rate(verdict.spm, cell.truth_spm[k]);
            if verdict.verdict == State::Unjudged {
                let reason = verdict.reason.as_deref().unwrap_or_default();
                let name = &verdict.file;
                self.unjudged.push(format!("room {} {name}: {reason}", cell.seed));
            }
            departures.insert(k, verdict.departure.unwrap_or(0.0));
            match cell.jobs[k].kind {
                Kind::Healthy => self.healthy_clip(verdict),
                Kind::Faulty(wrong) => self.faulty_clip(wrong, verdict),
                Kind::Good | Kind::Beside(_) => {}
            }
            walks.entry(&cell.jobs[k].walk).or_default().push((k, verdict));
        }
        for clips in walks.values().filter(|c| c.len() > 1) {
            let fault = clips.iter().find_map(|(k, _)| match cell.jobs[*k].kind {
                Kind::Faulty(wrong) => Some((*k, wrong)),
                _ => None,
            });
            let departure = |v: &ClipVerdict| v.departure.unwrap_or(0.0);
            let most = clips.iter().max_by(|a, b| departure(a.1).total_cmp(&departure(b.1)));
            if let (Some((faulty, wrong)), Some((at, verdict))) = (fault, most)
                && departure(verdict) > 1.0
            {
                self.group(wrong).right_module.count(*at == faulty);
            }
        }
        Ok(departures)
    }

    fn rate(&mut self, spm: Option<f64>, truth: f64) {
        let Some(spm) = spm else { return };
        let error = (spm / truth - 1.0).abs();
        self.spm_errors.push(error);
        self.other_rhythm.count(error > OTHER_RHYTHM);
    }

    fn healthy_clip(&mut self, verdict: &ClipVerdict) {
        let Some(departure) = verdict.departure else { return };
        self.healthy.push(departure);
        self.false_alarms.count(departure > 1.0);
        if departure > 1.0 {
            *self.false_patterns.entry(word(verdict.pattern)).or_default() += 1;
        }
    }

    fn faulty_clip(&mut self, wrong: Wrong, verdict: &ClipVerdict) {
        let departure = verdict.departure.unwrap_or(0.0);
        let group = self.group(wrong);
        group.departures.push(departure);
        let found = departure > 1.0;
        group.found.count(found);
        if found {
            if let Some(half) = wrong.half() {
                group.right_half.count(verdict.half == half);
            }
            group.right_pattern.count(verdict.pattern == wrong.pattern());
            let half = match verdict.half {
                Half::Discharge => " discharge",
                Half::Suction => " suction",
                Half::Both => " both",
                Half::Unknown => "",
            };
            *group.patterns.entry(format!("{}{half}", word(verdict.pattern))).or_default() += 1;
        }
    }

    fn group(&mut self, wrong: Wrong) -> &mut Group {
        let at = self.groups.iter().position(|g| g.wrong.name == wrong.name && g.wrong.level == wrong.level);
        let at = at.unwrap_or_else(|| {
            self.groups.push(Group {
                wrong,
                departures: Vec::new(),
                found: Share::default(),
                right_module: Share::default(),
                right_half: Share::default(),
                right_pattern: Share::default(),
                patterns: BTreeMap::new(),
            });
            self.groups.len() - 1
        });
        &mut self.groups[at]
    }

    /// All gated hisses of one level as one group; `None` if there are none.
    pub(crate) fn hiss(&self, level: f64) -> Option<Group> {
        self.together(|w| w.hisses() && w.level.is_some_and(|l| (l - level).abs() < 1e-9))
    }

    /// Groups that `which` picks, as one; `None` if there are none.
    pub(crate) fn together(&self, which: impl Fn(Wrong) -> bool) -> Option<Group> {
        let mut picked = self.groups.iter().filter(|g| which(g.wrong));
        let mut out = picked.next()?.clone();
        for g in picked {
            out.departures.extend(&g.departures);
            out.found.add(g.found);
            out.right_module.add(g.right_module);
            out.right_half.add(g.right_half);
            out.right_pattern.add(g.right_pattern);
            for (name, n) in &g.patterns {
                *out.patterns.entry(name.clone()).or_default() += n;
            }
        }
        Some(out)
    }
}
