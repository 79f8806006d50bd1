//! The thread that hears windows, keeps the alarms and writes the book.

use std::path::Path;
use std::sync::Arc;
use std::sync::mpsc::{Receiver, Sender};

use super::ear::{Hearing, PumpIs, hear};
use super::told::{Event, Heard, Kind, Line, Told};
use super::{AlarmState, FalseAlarms, Turn, WatchError, WatchPlan, Window};
use crate::book::{Book, BookError, GoodsBySpot, Kept, NewClip, RoundChange, Stamp, WatchEntry, WatchLine};
use crate::score::{ClipVerdict, State};
use crate::stroke::pulse_marks;

/// Days for which every line is kept; older ones are thinned to the hour's highest.
pub const LINES_KEPT_DAYS: i64 = 35;
/// Days of lines that the estimate of false alarms looks back on.
const LOOK_BACK_DAYS: i64 = 30;
/// An alarm and its windows are taken up again after a restart within so many ms.
const RESUME_MS: i64 = DAY_MS;
const HOUR_MS: i64 = 3_600_000;
const DAY_MS: i64 = 24 * HOUR_MS;
/// Windows further apart than this, in ms, did not follow one another.
const APART_MS: i64 = 10 * 60_000;
/// Lines and events that wait for a book that can't be written; the oldest go first.
const MOST_WAITING: usize = 20_000;
/// Speed by which the length of a window is guessed before one is heard, in strokes a minute.
const USUAL_SPM: f64 = 70.0;
/// What stands with every alarm.
const CAUTION: &str = "A verdict is advice: tell the supervisor; opening a pump needs the site's permit to work, isolation and bled pressure.";

/// What the worker is given.
#[derive(Debug)]
pub(super) enum Job {
    /// Sound of one pump.
    Window(Window),
    /// Something to be entered and told.
    Happened(Stamp, Kind, String),
}

/// What the worker reports.
#[derive(Debug)]
pub(super) enum Report {
    /// To be told.
    Told(Told),
    /// Speed of a pump, for the length of its next window.
    Speed(usize, Option<f64>),
}

/// One pump.
#[derive(Debug)]
struct Watched {
    goods: GoodsBySpot,
    mark: (i64, i64, i64),
    alarms: Vec<AlarmState>,
    runs: Option<bool>,
    last_hourly_ms: Option<i64>,
    /// The next window belongs to an alarm, too.
    after_alarm: bool,
    /// The last window, unless it was kept: should the next one raise an alarm, it belongs to it.
    before: Option<Sound>,
    pulses_known: bool,
}

/// What a round of one window is made of.
#[derive(Debug, Clone)]
struct Sound {
    /// End of the window.
    at: Stamp,
    /// One file a sensor.
    files: Vec<Arc<[u8]>>,
    with_pulse: bool,
}

/// The worker.
#[derive(Debug)]
pub(super) struct Keeper<'a> {
    plan: &'a WatchPlan,
    book: Book,
    pumps: Vec<Watched>,
    lines: Vec<WatchLine>,
    entries: Vec<WatchEntry>,
    last_thinned_ms: i64,
    full_told: bool,
    trouble_told: bool,
}

impl<'a> Keeper<'a> {
    /// Takes up what the book knows.
    pub(super) fn new(plan: &'a WatchPlan, mut book: Book) -> Result<Self, WatchError> {
        book.tidy_watch()?;
        let now = match &plan.clock {
            super::Clock::Wall => Stamp::now(),
            super::Clock::Sound(start) => start.clone(),
        };
        let mut pumps = Vec::new();
        for group in &plan.groups {
            let mut alarms = Vec::new();
            for sensor in &group.sensors {
                let lines = book.watched(sensor.spot.id, now.ms - RESUME_MS)?;
                let outcomes: Vec<bool> = lines.iter().map(|l| l.1 > 1.0).collect();
                alarms.push(AlarmState::resumed(plan.rule, &outcomes, lines.last().is_some_and(|l| l.2)));
            }
            let mark = book.baseline_mark(&group.pump)?;
            let (goods, _) = book.goods_by_spot(&group.pump, &group.spot_names())?;
            pumps.push(Watched {
                goods,
                mark,
                alarms,
                runs: None,
                last_hourly_ms: book.last_hourly_ms(&group.pump)?,
                after_alarm: false,
                before: None,
                pulses_known: false,
            });
        }
        Ok(Self {
            plan,
            book,
            pumps,
            lines: Vec::new(),
            entries: Vec::new(),
            last_thinned_ms: i64::MIN,
            full_told: false,
            trouble_told: false,
        })
    }

    /// Works until there is nobody left to give work.
    pub(super) fn work(&mut self, jobs: &Receiver<Job>, report: &Sender<Report>) {
        // Whoever listens to the reports outlives this thread.
        let tell = |r: Report| _ = report.send(r);
        while let Ok(job) = jobs.recv() {
            match job {
                Job::Window(window) => self.window(&window, &tell),
                Job::Happened(at, kind, text) => {
                    let mut event = Event::new(&at, kind, text);
                    if kind == Kind::Started {
                        match self.false_alarms(at.ms) {
                            Ok(f) => {
                                event.text = f.words();
                                event.false_alarms = Some(f);
                            }
                            Err(e) => event.text = format!("false alarms a month are not known: {e}"),
                        }
                    }
                    self.event(event, (None, None), &at, &tell);
                    self.write(&at, &tell);
                }
            }
        }
    }

    /// What the rule promises, and what this book's lines say of it.
    fn false_alarms(&self, now_ms: i64) -> Result<FalseAlarms, BookError> {
        let mut runs = Vec::new();
        let mut sensors = 0;
        for sensor in self.plan.groups.iter().flat_map(|g| &g.sensors) {
            sensors += 1;
            let mut run: Vec<bool> = Vec::new();
            let mut last_ms = i64::MIN;
            for (at_ms, departure, alarm) in self.book.watched(sensor.spot.id, now_ms - LOOK_BACK_DAYS * DAY_MS)? {
                if alarm || at_ms.saturating_sub(last_ms) > APART_MS {
                    runs.push(std::mem::take(&mut run));
                }
                if !alarm {
                    run.push(departure > 1.0);
                }
                last_ms = at_ms;
            }
            runs.push(run);
        }
        let window_s = f64::from(self.plan.strokes) * 60.0 / self.plan.console_spm.unwrap_or(USUAL_SPM) + 2.0;
        Ok(FalseAlarms::new(self.plan.rule, sensors, window_s, &runs))
    }

    fn window(&mut self, window: &Window, tell: &dyn Fn(Report)) {
        let k = window.group;
        // A clock beyond the calendar.
        let Some(at) = Stamp::of_ms(window.end_ms) else { return tell(Report::Speed(k, None)) };
        self.look_at_baseline(k, &at, tell);
        if let Some(p) = &window.pulse
            && pulse_marks(p, f64::from(window.rate_hz)).len() >= 3
        {
            self.pumps[k].pulses_known = true;
        }
        let hearing = hear(self.plan, window, &self.pumps[k].goods, self.pumps[k].pulses_known);
        tell(Report::Speed(k, hearing.spm));
        self.tell_state(k, hearing.pump, &at, tell);
        let mut turns = Vec::new();
        let group = &self.plan.groups[k];
        for (i, v) in hearing.verdicts.iter().enumerate() {
            if let Some(turn) = v.departure.and_then(|d| self.pumps[k].alarms[i].push(d > 1.0)) {
                turns.push((i, turn));
            }
        }
        let lines: Vec<Line> = hearing
            .verdicts
            .iter()
            .zip(&hearing.level_dbfs)
            .zip(&self.pumps[k].alarms)
            .zip(&group.sensors)
            .map(|(((v, level), alarm), sensor)| {
                line(&at, &group.pump.data.name, &sensor.spot, v, *level, alarm, hearing.pump)
            })
            .collect();
        self.lines.extend(lines.iter().zip(&group.sensors).map(|(l, s)| WatchLine {
            spot: s.spot.id,
            at_ms: at.ms,
            state: l.state.word(),
            departure: l.departure,
            spm: l.spm,
            strokes: l.strokes,
            lock: l.lock,
            level_dbfs: l.level_dbfs,
            alarm: l.alarm,
            reason: l.reason.clone(),
        }));
        self.write(&at, tell);
        tell(Report::Told(Told::Window(lines)));
        let round = self.keep(k, &hearing, &turns, window.pulse.is_some(), &at, tell);
        for (i, turn) in turns {
            self.turn(k, i, turn, &hearing.verdicts[i], round, &at, tell);
        }
        if self.last_thinned_ms.saturating_add(DAY_MS) <= at.ms {
            self.last_thinned_ms = at.ms;
            if let Err(e) = self.book.thin_lines(at.ms - LINES_KEPT_DAYS * DAY_MS) {
                self.trouble(&e, &at, tell);
            }
        }
        self.write(&at, tell);
    }

    /// Loads the accepted rounds again when they have changed.
    fn look_at_baseline(&mut self, k: usize, at: &Stamp, tell: &dyn Fn(Report)) {
        let group = &self.plan.groups[k];
        let changed = match self.book.baseline_mark(&group.pump) {
            Ok(mark) if mark == self.pumps[k].mark => return,
            Ok(mark) => self.book.goods_by_spot(&group.pump, &group.spot_names()).map(|goods| (mark, goods)),
            Err(e) => Err(e),
        };
        match changed {
            Ok((mark, (goods, bad))) => {
                let n: usize = goods.iter().map(|g| g.1.len()).sum();
                let unusable = if bad.is_empty() { String::new() } else { format!(", {} can't be used", bad.len()) };
                let pump = &mut self.pumps[k];
                (pump.mark, pump.goods) = (mark, goods);
                pump.alarms.iter_mut().for_each(AlarmState::forget);
                let text = format!(
                    "the accepted rounds have changed: {n} good clip(s){unusable}; windows before no longer count"
                );
                let event = Event { pump: Some(group.pump.data.name.clone()), ..Event::new(at, Kind::Baseline, text) };
                self.event(event, (Some(group.pump.id), None), at, tell);
            }
            Err(e) => self.trouble(&e, at, tell),
        }
    }

    fn tell_state(&mut self, k: usize, pump: PumpIs, at: &Stamp, tell: &dyn Fn(Report)) {
        let runs = match pump {
            PumpIs::Running => true,
            PumpIs::Stopped => false,
            PumpIs::Changing | PumpIs::Unknown => return,
        };
        if self.pumps[k].runs == Some(runs) {
            return;
        }
        self.pumps[k].runs = Some(runs);
        let row = &self.plan.groups[k].pump;
        let (kind, text) = if runs { (Kind::Running, "the pump runs") } else { (Kind::Stopped, "the pump stands") };
        let event = Event { pump: Some(row.data.name.clone()), ..Event::new(at, kind, text) };
        self.event(event, (Some(row.id), None), at, tell);
    }

    /// Keeps the window's clips where the rule says so; the round, if they were kept around an alarm.
    fn keep(
        &mut self,
        k: usize,
        hearing: &Hearing,
        turns: &[(usize, Turn)],
        with_pulse: bool,
        at: &Stamp,
        tell: &dyn Fn(Report),
    ) -> Option<i64> {
        let raised: Vec<u32> = turns
            .iter()
            .filter(|t| matches!(t.1, Turn::Raised(_)))
            .map(|t| self.plan.groups[k].sensors[t.0].spot.module)
            .collect();
        let pump = &mut self.pumps[k];
        let after = std::mem::replace(&mut pump.after_alarm, !raised.is_empty());
        let before = pump.before.take();
        let sound = Sound { at: at.clone(), files: hearing.files.clone(), with_pulse };
        let usable =
            hearing.pump == PumpIs::Running && hearing.verdicts.iter().any(|v| v.lock.is_some_and(|l| l > 0.0));
        let due = usable && pump.last_hourly_ms.is_none_or(|then| at.ms - then >= HOUR_MS);
        if !raised.is_empty() {
            let modules: Vec<String> = raised.iter().map(u32::to_string).collect();
            let modules = modules.join(", ");
            if let Some(before) = before {
                let remarks = format!("kept by the watch: the window before an alarm on module {modules}");
                self.keep_round(k, &before, Kept::Alarm, remarks, tell);
            }
            self.keep_round(k, &sound, Kept::Alarm, format!("kept by the watch: alarm on module {modules}"), tell)
        } else if after {
            self.keep_round(k, &sound, Kept::Alarm, "kept by the watch: the window after an alarm".to_owned(), tell)
        } else if due {
            pump.last_hourly_ms = Some(at.ms);
            self.keep_round(k, &sound, Kept::Hourly, "kept by the watch: one an hour".to_owned(), tell);
            None
        } else {
            pump.before = usable.then_some(sound);
            None
        }
    }

    /// Keeps a window as a round, tells of it and makes room; the round, unless that failed.
    fn keep_round(
        &mut self,
        k: usize,
        sound: &Sound,
        kept: Kept,
        remarks: String,
        tell: &dyn Fn(Report),
    ) -> Option<i64> {
        let at = &sound.at;
        let id = match self.enter_round(k, sound, kept, remarks) {
            Ok(id) => id,
            Err(e) => {
                self.trouble(&e, at, tell);
                return None;
            }
        };
        let row = &self.plan.groups[k].pump;
        let why = if kept == Kept::Alarm { "around an alarm" } else { "one an hour" };
        let event = Event {
            pump: Some(row.data.name.clone()),
            round: Some(id),
            ..Event::new(at, Kind::Kept, format!("round {id} was kept, {why}"))
        };
        self.event(event, (Some(row.id), None), at, tell);
        if kept == Kept::Alarm
            && let Err(e) = self.book.round(id).and_then(|round| self.book.judge_round(&round, &|| ()).map(|_| ()))
        {
            self.trouble(&e, at, tell);
        }
        self.make_room(at, tell);
        Some(id)
    }

    fn enter_round(&mut self, k: usize, sound: &Sound, kept: Kept, remarks: String) -> Result<i64, BookError> {
        let group = &self.plan.groups[k];
        let point = RoundChange {
            spm: self.plan.console_spm,
            pressure_pa: self.plan.pressure_pa,
            remarks: Some(remarks),
            ..RoundChange::default()
        };
        let round = self.book.keep_round(&group.pump, &sound.at, kept, &point)?;
        for (sensor, bytes) in group.sensors.iter().zip(&sound.files) {
            let name = format!("watch-m{}.wav", sensor.spot.module);
            let pulse = sound.with_pulse.then_some(2);
            let new = NewClip { path: Path::new(&name), taken_at: &sound.at, pulse };
            self.book.add_sound(&round, &sensor.spot, &new, bytes)?;
        }
        Ok(round.id)
    }

    /// Removes hourly rounds until the watch's clips fit.
    fn make_room(&mut self, at: &Stamp, tell: &dyn Fn(Report)) {
        let most = self.plan.keep_bytes;
        match self.book.thin_watch(most) {
            Ok(thinned) => {
                if let (Some(first), Some(last)) = (thinned.removed.first(), thinned.removed.last()) {
                    let bytes: i64 = thinned.removed.iter().map(|r| r.1).sum();
                    let text = format!(
                        "{} hourly round(s), {} to {}, {:.1} MB, were removed to keep the watch's clips within {:.0} MB",
                        thinned.removed.len(),
                        first.0,
                        last.0,
                        bytes as f64 / 1e6,
                        most as f64 / 1e6
                    );
                    self.event(Event::new(at, Kind::Removed, text), (None, None), at, tell);
                }
                let full = thinned.left_bytes > most;
                if full && !self.full_told {
                    let text = format!(
                        "the clips that may not be removed (around alarms, accepted or judged) have {:.1} MB, more than the {:.0} MB allowed: make room \
                         by hand, or give --keep-mb more",
                        thinned.left_bytes as f64 / 1e6,
                        most as f64 / 1e6
                    );
                    self.event(Event::new(at, Kind::Full, text), (None, None), at, tell);
                }
                self.full_told = full;
            }
            Err(e) => self.trouble(&e, at, tell),
        }
    }

    #[expect(clippy::too_many_arguments, reason = "one alarm and everything that is said of it")]
    fn turn(
        &mut self,
        k: usize,
        i: usize,
        turn: Turn,
        verdict: &ClipVerdict,
        round: Option<i64>,
        at: &Stamp,
        tell: &dyn Fn(Report),
    ) {
        let group = &self.plan.groups[k];
        let spot = &group.sensors[i].spot;
        let n = self.plan.rule.n();
        let (kind, text) = match turn {
            Turn::Raised(count) => (
                Kind::Alarm,
                format!(
                    "{count} of the last {n} windows lie outside the limit, departure now {:.2}. {} {CAUTION}",
                    verdict.departure.unwrap_or(0.0),
                    verdict.reading
                ),
            ),
            Turn::Over => (Kind::AlarmOver, format!("the last {n} windows lie within the limit")),
        };
        let event = Event {
            pump: Some(group.pump.data.name.clone()),
            module: Some(spot.module),
            spot: Some(spot.name.clone()),
            round,
            verdict: (kind == Kind::Alarm).then(|| Box::new(verdict.clone())),
            ..Event::new(at, kind, text)
        };
        self.event(event, (Some(group.pump.id), Some(spot.id)), at, tell);
    }

    /// Tells an event and puts it down to be entered.
    fn event(&mut self, event: Event, about: (Option<i64>, Option<i64>), at: &Stamp, tell: &dyn Fn(Report)) {
        self.entries.push(WatchEntry {
            pump: about.0,
            spot: about.1,
            at: at.clone(),
            kind: event.event.word(),
            words: event.text.clone(),
        });
        tell(Report::Told(Told::Event(Box::new(event))));
    }

    /// Enters what waits. What the book can't take now waits for the next time.
    fn write(&mut self, at: &Stamp, tell: &dyn Fn(Report)) {
        if self.lines.is_empty() && self.entries.is_empty() {
            return;
        }
        match self.book.enter_watch(&self.lines, &self.entries) {
            Ok(()) => {
                self.lines.clear();
                self.entries.clear();
                self.trouble_told = false;
            }
            Err(e) => {
                if !self.trouble_told {
                    self.trouble_told = true;
                    self.trouble(&e, at, tell);
                }
                let excess = self.lines.len().saturating_sub(MOST_WAITING);
                self.lines.drain(..excess);
                let excess = self.entries.len().saturating_sub(MOST_WAITING);
                self.entries.drain(..excess);
            }
        }
    }

    fn trouble(&mut self, why: &BookError, at: &Stamp, tell: &dyn Fn(Report)) {
        let mut text = why.to_string();
        let mut cause = std::error::Error::source(why);
        while let Some(c) = cause {
            text += &format!(": {c}");
            cause = c.source();
        }
        self.event(Event::new(at, Kind::Trouble, text), (None, None), at, tell);
    }
}

fn line(
    at: &Stamp,
    pump: &str,
    spot: &crate::book::SpotRow,
    v: &ClipVerdict,
    level_dbfs: f64,
    alarm: &AlarmState,
    is: PumpIs,
) -> Line {
    let state = match (is, v.verdict) {
        (PumpIs::Stopped, _) => Heard::Stopped,
        (_, State::Steady) => Heard::Steady,
        (_, State::Drifting) => Heard::Drifting,
        (_, State::Departed) => Heard::Departed,
        (_, State::Unjudged) => Heard::Unjudged,
    };
    let departs = matches!(state, Heard::Drifting | Heard::Departed);
    let runs = is != PumpIs::Stopped;
    Line {
        at: at.text.clone(),
        pump: pump.to_owned(),
        module: spot.module,
        spot: spot.name.clone(),
        state,
        departure: v.departure,
        spm: v.spm.filter(|_| runs),
        strokes: v.strokes.filter(|_| runs),
        lock: v.lock,
        level_dbfs: Some(level_dbfs),
        outside: alarm.outside(),
        alarm: alarm.stands(),
        pattern: departs.then_some(v.pattern),
        half: departs.then_some(v.half),
        excess_db: v.excess_db.filter(|_| departs),
        reason: v.reason.clone(),
    }
}
