//! Parts of the fluid ends: what sits where since when, and how many hours and strokes it has run.

use jiff::Timestamp;
use serde::{Deserialize, Serialize};

use super::life::{Group, Life};
use super::meter::Meter;

/// A kind of part.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum PartKind {
    /// Valve.
    Valve,
    /// Valve seat.
    Seat,
    /// Valve spring.
    Spring,
    /// Valve guide.
    Guide,
    /// Piston with its rubber.
    Piston,
    /// Liner.
    Liner,
    /// Gasket of a cap or a liner.
    Gasket,
    /// Clamp between piston rod and extension rod.
    RodClamp,
}

impl PartKind {
    /// All kinds, in the order of a walk through a module.
    pub const ALL: [Self; 8] =
        [Self::Valve, Self::Seat, Self::Spring, Self::Guide, Self::Gasket, Self::Piston, Self::Liner, Self::RodClamp];

    /// `rod-clamp`: as typed and stored.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Valve => "valve",
            Self::Seat => "seat",
            Self::Spring => "spring",
            Self::Guide => "guide",
            Self::Piston => "piston",
            Self::Liner => "liner",
            Self::Gasket => "gasket",
            Self::RodClamp => "rod-clamp",
        }
    }

    /// `rod clamp`, or `rod clamps` for several.
    #[must_use]
    pub fn words(self, several: bool) -> String {
        let one = self.as_str().replace('-', " ");
        if several { format!("{one}s") } else { one }
    }

    /// Whether the part sits on the suction or on the discharge side.
    #[must_use]
    pub fn has_side(self) -> bool {
        matches!(self, Self::Valve | Self::Seat | Self::Spring | Self::Guide | Self::Gasket)
    }

    /// Reads a kind as typed.
    ///
    /// # Errors
    /// [`PartError::Kind`] with the kinds there are.
    pub fn parse(text: &str) -> Result<Self, PartError> {
        let wanted = text.trim().to_ascii_lowercase().replace([' ', '_'], "-");
        Self::ALL
            .into_iter()
            .find(|kind| kind.as_str() == wanted || kind.as_str() == wanted.trim_end_matches('s'))
            .ok_or_else(|| PartError::Kind { text: text.to_owned() })
    }
}

/// Side of a module.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Side {
    /// Suction.
    Suction,
    /// Discharge.
    Discharge,
}

impl Side {
    /// `suction`, `discharge`.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Suction => "suction",
            Self::Discharge => "discharge",
        }
    }

    /// Reads a side as typed.
    ///
    /// # Errors
    /// [`PartError::Side`].
    pub fn parse(text: &str) -> Result<Self, PartError> {
        match text.trim().to_ascii_lowercase().as_str() {
            "suction" | "s" => Ok(Self::Suction),
            "discharge" | "d" => Ok(Self::Discharge),
            _ => Err(PartError::Side { text: text.to_owned() }),
        }
    }
}

/// Why a part left its place.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Why {
    /// Washed by a jet.
    Washed,
    /// Worn out.
    Worn,
    /// Broken.
    Broken,
    /// Changed by the calendar or with its neighbour, still good.
    Planned,
    /// Changed for another size.
    Resized,
    /// Nobody knows.
    Unknown,
}

impl Why {
    /// All reasons.
    pub const ALL: [Self; 6] = [Self::Washed, Self::Worn, Self::Broken, Self::Planned, Self::Resized, Self::Unknown];

    /// `washed`: as typed and stored.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Washed => "washed",
            Self::Worn => "worn",
            Self::Broken => "broken",
            Self::Planned => "planned",
            Self::Resized => "resized",
            Self::Unknown => "unknown",
        }
    }

    /// Whether the part's life ended; a good part that was taken out would have lasted longer (censored).
    #[must_use]
    pub fn ends_life(self) -> bool {
        matches!(self, Self::Washed | Self::Worn | Self::Broken)
    }

    /// Reads a reason as typed.
    ///
    /// # Errors
    /// [`PartError::Why`] with the reasons there are.
    pub fn parse(text: &str) -> Result<Self, PartError> {
        let wanted = text.trim().to_ascii_lowercase();
        Self::ALL.into_iter().find(|why| why.as_str() == wanted).ok_or_else(|| PartError::Why { text: text.to_owned() })
    }
}

/// Why a part entry can't be used.
#[derive(Debug, Clone, thiserror::Error, PartialEq)]
#[non_exhaustive]
pub enum PartError {
    /// Not a kind of part.
    #[error("\"{text}\" is not a part; write valve, seat, spring, guide, gasket, piston, liner or rod-clamp")]
    Kind {
        /// What was typed.
        text: String,
    },
    /// Not a side.
    #[error("\"{text}\" is not a side; write suction or discharge")]
    Side {
        /// What was typed.
        text: String,
    },
    /// Not a reason.
    #[error("\"{text}\" is no reason for a change; write washed, worn, broken, planned, resized or unknown")]
    Why {
        /// What was typed.
        text: String,
    },
    /// A valve has a side.
    #[error("a {kind} sits on the suction or the discharge side; say which")]
    SideMissing {
        /// The kind.
        kind: String,
    },
    /// A liner has none.
    #[error("a {kind} has no suction or discharge side; leave the side out")]
    SideTooMuch {
        /// The kind.
        kind: String,
    },
    /// A part that left before it came.
    #[error("the part was taken out at {out}, before it was fitted at {fitted}; check the times")]
    Backwards {
        /// When it was fitted.
        fitted: Timestamp,
        /// When it was taken out.
        out: Timestamp,
    },
    /// Running hours that do not fit their span.
    #[error(
        "{hours} running hours between {from} and {to} can't be: the clock ran {span:.1} h; check the hours and the times"
    )]
    Hours {
        /// Hours entered.
        hours: f64,
        /// First instant.
        from: Timestamp,
        /// Last instant.
        to: Timestamp,
        /// What the clock ran.
        span: f64,
    },
    /// Two running-hours entries of one span.
    #[error("running hours are entered twice for {at}; correct one of the two entries")]
    Overlap {
        /// An instant that both hold.
        at: Timestamp,
    },
}

/// Where a part sits.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub struct Place {
    /// Pump.
    pub pump: String,
    /// Module from 1.
    pub module: u32,
    /// Kind of part.
    pub kind: PartKind,
    /// Side, for kinds that have one.
    pub side: Option<Side>,
}

impl Place {
    /// A place; kinds with sides must name theirs.
    ///
    /// # Errors
    /// [`PartError`] for a side that is missing or too much.
    pub fn new(pump: &str, module: u32, kind: PartKind, side: Option<Side>) -> Result<Self, PartError> {
        match (kind.has_side(), side) {
            (true, None) => Err(PartError::SideMissing { kind: kind.words(false) }),
            (false, Some(_)) => Err(PartError::SideTooMuch { kind: kind.words(false) }),
            _ => Ok(Self { pump: pump.to_owned(), module, kind, side }),
        }
    }

    /// `pump 1, module 2 discharge seat`.
    #[must_use]
    pub fn words(&self) -> String {
        format!("{}, {}", self.pump, self.within_pump(false))
    }

    /// `discharge seat`.
    #[must_use]
    pub fn part_words(&self) -> String {
        let side = self.side.map_or(String::new(), |s| format!("{} ", s.as_str()));
        format!("{side}{}", self.kind.words(false))
    }

    fn within_pump(&self, several: bool) -> String {
        let side = self.side.map_or(String::new(), |s| format!("{} ", s.as_str()));
        format!("module {} {side}{}", self.module, self.kind.words(several))
    }
}

/// One part in one place.
#[derive(Debug, Clone, PartialEq)]
pub struct Part {
    /// Where it sits or sat.
    pub place: Place,
    /// When it was fitted.
    pub fitted: Timestamp,
    /// When and why it was taken out; `None` while it is in use.
    pub out: Option<(Timestamp, Why)>,
}

/// Running hours of one pump over a span, from its hour meter or the crew's log.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RunLog {
    /// First instant.
    pub from: Timestamp,
    /// Last instant.
    pub to: Timestamp,
    /// Hours run in between, at most the span.
    pub hours: f64,
}

/// Strokes a minute seen at an instant: a round's or a console reading.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Speed {
    /// When.
    pub at: Timestamp,
    /// Strokes a minute.
    pub spm: f64,
}

/// How much a part has run.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Run {
    /// Hours; a lower bound where logs are missing.
    pub hours: f64,
    /// Strokes; `None` while no speed is known.
    pub strokes: Option<f64>,
    /// Share of the calendar time that running-hours entries cover, 0 to 1: below 1 the figures are lower bounds.
    pub covered: f64,
}

/// Checks a pump's running-hours entries and puts them in order.
///
/// # Errors
/// [`PartError::Hours`] where more was run than the clock allows, [`PartError::Overlap`] where two entries hold the same time.
pub fn in_order(logs: &[RunLog]) -> Result<Vec<RunLog>, PartError> {
    let mut logs = logs.to_vec();
    logs.sort_by_key(|log| (log.from, log.to));
    for log in &logs {
        let span = hours_between(log.from, log.to);
        // A tenth of an hour is how finely hour meters are read.
        if !(log.hours >= 0.0 && log.hours <= span + 0.1) || span < 0.0 {
            return Err(PartError::Hours { hours: log.hours, from: log.from, to: log.to, span });
        }
    }
    match logs.windows(2).find(|pair| pair[1].from < pair[0].to) {
        Some(pair) => Err(PartError::Overlap { at: pair[1].from }),
        None => Ok(logs),
    }
}

pub(super) fn hours_between(from: Timestamp, to: Timestamp) -> f64 {
    to.duration_since(from).as_secs_f64() / 3600.0
}

/// What a part has run by `now`, or had when it was taken out.
///
/// # Errors
/// As [`Meter::between`].
pub fn run_of(part: &Part, now: Timestamp, meter: &Meter) -> Result<Run, PartError> {
    meter.between(part.fitted, part.out.map_or(now, |(at, _)| at))
}

/// The life of a part in running hours, ended or cut short.
#[must_use]
pub fn life_of(part: &Part, run: &Run) -> Life {
    Life { length: run.hours, ended: part.out.is_some_and(|(_, why)| why.ends_life()) }
}

/// Lives of like parts, one group a place of the pump, for [`super::early`]; places in order.
#[must_use]
pub fn groups(parts: &[(Part, Run)], pump: &str, kind: PartKind, side: Option<Side>) -> Vec<Group> {
    let mut modules: Vec<u32> =
        parts.iter().filter(|(p, _)| p.place.pump == pump).map(|(p, _)| p.place.module).collect();
    modules.sort_unstable();
    modules.dedup();
    modules
        .into_iter()
        .map(|module| {
            let place = Place { pump: pump.to_owned(), module, kind, side };
            let lives = parts.iter().filter(|(p, _)| p.place == place).map(|(p, run)| life_of(p, run)).collect();
            Group { name: place.within_pump(true), lives }
        })
        .filter(|group| !group.lives.is_empty())
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(text: &str) -> Timestamp {
        format!("2031-05-{text}:00Z").parse().unwrap()
    }

    fn log(from: &str, to: &str, hours: f64) -> RunLog {
        RunLog { from: at(from), to: at(to), hours }
    }

    fn run_between(from: Timestamp, to: Timestamp, logs: &[RunLog], speeds: &[Speed]) -> Result<Run, PartError> {
        Meter::new(logs, speeds)?.between(from, to)
    }

    fn speed(when: &str, spm: f64) -> Speed {
        Speed { at: at(when), spm }
    }

    #[test]
    fn hours_and_strokes_come_from_logs_and_rounds() {
        let logs = [log("04T18:00", "05T06:00", 6.0), log("04T06:00", "04T18:00", 10.0)];
        let speeds = [speed("04T07:00", 70.0), speed("04T15:00", 74.0)];
        // Fitted at noon: half of the first entry (5 h at the mean 72), all of the second at the last speed seen, 74.
        let run = run_between(at("04T12:00"), at("05T06:00"), &logs, &speeds).unwrap();
        assert!((run.hours - 11.0).abs() < 1e-9);
        assert!((run.strokes.unwrap() - (5.0 * 60.0 * 72.0 + 6.0 * 60.0 * 74.0)).abs() < 1e-6);
        assert!((run.covered - 1.0).abs() < 1e-12);
        let half = run_between(at("05T00:00"), at("05T12:00"), &logs, &[]).unwrap();
        assert!((half.covered - 0.5).abs() < 1e-12 && (half.hours - 3.0).abs() < 1e-9);
        assert_eq!(half.strokes, None, "no speed is known");
        let idle = run_between(at("04T06:00"), at("04T18:00"), &[log("04T06:00", "04T18:00", 0.0)], &[]).unwrap();
        assert_eq!((idle.hours, idle.strokes), (0.0, Some(0.0)));
    }

    #[test]
    fn logs_that_cannot_be_are_refused() {
        let too_much = [log("04T06:00", "04T18:00", 12.5)];
        assert!(matches!(run_between(at("04T06:00"), at("04T18:00"), &too_much, &[]), Err(PartError::Hours { .. })));
        let twice = [log("04T06:00", "04T18:00", 10.0), log("04T17:00", "05T06:00", 6.0)];
        assert!(matches!(in_order(&twice), Err(PartError::Overlap { .. })));
        assert!(matches!(in_order(&[log("04T18:00", "04T06:00", 0.0)]), Err(PartError::Hours { .. })));
        assert!(matches!(in_order(&[log("04T06:00", "04T18:00", f64::NAN)]), Err(PartError::Hours { .. })));
        assert!(matches!(run_between(at("05T06:00"), at("04T06:00"), &[], &[]), Err(PartError::Backwards { .. })));
    }

    #[test]
    fn places_have_sides_where_the_part_has() {
        assert!(matches!(Place::new("P1", 2, PartKind::Seat, None), Err(PartError::SideMissing { .. })));
        assert!(matches!(
            Place::new("P1", 2, PartKind::Liner, Some(Side::Suction)),
            Err(PartError::SideTooMuch { .. })
        ));
        let place = Place::new("P1", 2, PartKind::Seat, Some(Side::Discharge)).unwrap();
        assert_eq!(place.words(), "P1, module 2 discharge seat");
        for kind in PartKind::ALL {
            assert_eq!(PartKind::parse(kind.as_str()), Ok(kind));
            assert_eq!(PartKind::parse(&kind.words(true)), Ok(kind));
        }
        for why in Why::ALL {
            assert_eq!(Why::parse(why.as_str()), Ok(why));
        }
        assert!(PartKind::parse("bearing").is_err() && Side::parse("top").is_err() && Why::parse("").is_err());
    }

    #[test]
    fn a_good_part_taken_out_is_a_life_cut_short() {
        let place = Place::new("P1", 2, PartKind::Seat, Some(Side::Discharge)).unwrap();
        let run = Run { hours: 214.0, strokes: None, covered: 1.0 };
        let part = |why| Part { place: place.clone(), fitted: at("01T06:00"), out: Some((at("09T06:00"), why)) };
        assert!(life_of(&part(Why::Washed), &run).ended);
        assert!(!life_of(&part(Why::Planned), &run).ended);
        let other = Part { place: Place { module: 1, ..place.clone() }, ..part(Why::Worn) };
        let all = [(part(Why::Washed), run), (other, run)];
        let groups = groups(&all, "P1", PartKind::Seat, Some(Side::Discharge));
        assert_eq!(groups.len(), 2);
        assert_eq!(groups[1].name, "module 2 discharge seats");
        assert_eq!(groups[1].lives.len(), 1);
    }
}
