//! The check sheet: a TOML file that a site edits, read with errors that name the line.

use jiff::{SignedDuration, Timestamp};
use serde::Deserialize;
use toml::Spanned;

use super::clock::TourPlan;
use super::cross::Rules;
use crate::units::{Dimension, Unit, number, parse_quantity};

/// A check sheet for a triplex, every limit empty: what a new book starts with.
pub const DEFAULT_SHEET: &str = include_str!("default_sheet.toml");

/// What is wrong with a check sheet, and where.
#[derive(Debug, Clone, thiserror::Error, PartialEq, Eq)]
#[error("{file}, line {line}: {text}")]
pub struct SheetError {
    /// The file.
    pub file: String,
    /// Line, from 1.
    pub line: usize,
    /// What is wrong and what to write instead.
    pub text: String,
}

/// A check sheet.
#[derive(Debug, Clone, PartialEq)]
pub struct Sheet {
    /// Change times and clock of the rig.
    pub plan: TourPlan,
    /// The site's margins for the rules that compare readings.
    pub rules: Rules,
    /// The checks in walking order.
    pub checks: Vec<Check>,
}

impl Sheet {
    /// From when on readings are compared with those at `at`.
    #[must_use]
    pub fn compared_from(&self, at: Timestamp) -> Timestamp {
        #[expect(clippy::cast_possible_truncation, reason = "at most a year")]
        let hours = (self.rules.compare_days * 24.0) as i64;
        at.saturating_sub(SignedDuration::from_hours(hours)).unwrap_or(Timestamp::MIN)
    }

    /// Lowest and highest value that the site allows a reading of a check, in SI.
    #[must_use]
    pub fn limits_of(&self, check: &str, ask: &str) -> [Option<f64>; 2] {
        let ask = self.checks.iter().find(|c| c.id == check).and_then(|c| c.asks.iter().find(|a| a.name == ask));
        match ask.map(|a| &a.kind) {
            Some(AskKind::Reading { limits, .. }) => [limits.low, limits.high],
            _ => [None, None],
        }
    }
}

/// One line of the sheet.
#[derive(Debug, Clone, PartialEq)]
pub struct Check {
    /// Short name: small letters, digits and dashes.
    pub id: String,
    /// What is done.
    pub text: String,
    /// For each of what.
    pub per: Per,
    /// How often.
    pub every: Every,
    /// A remark that stands beside it.
    pub note: Option<String>,
    /// What is written down.
    pub asks: Vec<Ask>,
}

/// For each of what a check is made.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Per {
    /// Once for the rig.
    Rig,
    /// For each pump.
    Pump,
    /// For each module of each pump.
    Module,
}

/// How often a check is made.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Every {
    /// So many times a tour, evenly spread.
    Tour(u32),
    /// At the first and at the last connection of a tour.
    FirstAndLast,
    /// So many days after the last time.
    Days(u32),
    /// So many running hours after the last time.
    RunningHours(f64),
}

impl Every {
    /// As the sheet has it: `3 times a tour`.
    #[must_use]
    pub fn words(self) -> String {
        match self {
            Self::Tour(1) => "each tour".to_owned(),
            Self::Tour(n) => format!("{n} times a tour"),
            Self::FirstAndLast => "first and last connection of the tour".to_owned(),
            Self::Days(7) => "weekly".to_owned(),
            Self::Days(14) => "every two weeks".to_owned(),
            Self::Days(n) => format!("every {n} days"),
            Self::RunningHours(h) => format!("every {h} hours of running"),
        }
    }

    /// Reads an interval; `None` when it is none.
    #[must_use]
    pub fn parse(text: &str) -> Option<Self> {
        let low = text.trim().to_ascii_lowercase();
        let whole = |word: &str| word.parse::<u32>().ok().filter(|n| (1..=1000).contains(n));
        match low.split_whitespace().collect::<Vec<_>>()[..] {
            ["each", "tour"] | ["every", "tour"] | ["once", "a", "tour"] => Some(Self::Tour(1)),
            ["twice", "a", "tour"] => Some(Self::Tour(2)),
            [n, "times", "a", "tour"] => whole(n).filter(|n| *n <= 48).map(Self::Tour),
            ["first", "and", "last", "connection"] | ["first", "and", "last", "connection", "of", "the", "tour"] => {
                Some(Self::FirstAndLast)
            }
            ["daily"] => Some(Self::Days(1)),
            ["weekly"] | ["every", "week"] => Some(Self::Days(7)),
            ["every", "two", "weeks"] => Some(Self::Days(14)),
            ["every", n, "days"] => whole(n).map(Self::Days),
            ["every", n, "running", "hours"] | ["every", n, "hours", "of", "running"] => {
                number::typed(n).ok().filter(|h| *h > 0.0).map(Self::RunningHours)
            }
            _ => None,
        }
    }
}

/// One thing that is written down for a check.
#[derive(Debug, Clone, PartialEq)]
pub struct Ask {
    /// Its name within the check.
    pub name: String,
    /// What kind of answer.
    pub kind: AskKind,
}

/// The kinds of answer.
#[derive(Debug, Clone, PartialEq)]
pub enum AskKind {
    /// Ok or attention.
    Ok,
    /// Words.
    Text,
    /// A photo file.
    Photo,
    /// A reading with its unit.
    Reading {
        /// What is read.
        dimension: Dimension,
        /// The unit in which it is shown.
        unit: &'static Unit,
        /// Limits that somebody has entered.
        limits: Limits,
    },
}

/// Limits of a reading, SI; `None` while nobody has entered the maker's or the site's figure.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Limits {
    /// Lowest allowed.
    pub low: Option<f64>,
    /// Highest allowed.
    pub high: Option<f64>,
    /// Whose figure it is.
    pub from: Option<String>,
    /// Where such readings usually lie: a rule of thumb that only makes the tool ask again, never a limit.
    pub usual: Option<[f64; 2]>,
}

impl Limits {
    /// `2 bar to 6 bar (plate of pump 1)`, or `no limit entered`.
    #[must_use]
    pub fn words(&self, unit: &Unit) -> String {
        let range = match (self.low, self.high) {
            (None, None) => return "no limit entered".to_owned(),
            (Some(low), None) => format!("not below {}", unit.show(low)),
            (None, Some(high)) => format!("not above {}", unit.show(high)),
            (Some(low), Some(high)) => format!("{} to {}", unit.show(low), unit.show(high)),
        };
        format!("{range} ({})", self.from.as_deref().unwrap_or("nobody wrote whose figure"))
    }

    /// Whether `si` lies outside; `None` when no limit is entered.
    #[must_use]
    pub fn outside(&self, si: f64) -> Option<bool> {
        if self.low.is_none() && self.high.is_none() {
            return None;
        }
        Some(self.low.is_some_and(|low| si < low) || self.high.is_some_and(|high| si > high))
    }
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RawSheet {
    tour: Spanned<RawTour>,
    rules: Option<Spanned<Rules>>,
    check: Vec<RawCheck>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RawTour {
    zone: String,
    changes: Vec<String>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RawCheck {
    id: Spanned<String>,
    text: Spanned<String>,
    per: Spanned<String>,
    every: Spanned<String>,
    note: Option<String>,
    ask: Spanned<Vec<RawAsk>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RawAsk {
    name: Spanned<String>,
    kind: Spanned<String>,
    unit: Option<Spanned<String>>,
    low: Option<Spanned<String>>,
    high: Option<Spanned<String>>,
    from: Option<String>,
    usual: Option<[Spanned<String>; 2]>,
}

/// Reads and checks a sheet.
///
/// # Arguments
/// - `text`: TOML; see [`DEFAULT_SHEET`] for every field.
/// - `file`: its name, for errors.
///
/// # Errors
/// [`SheetError`] with the line of the first thing that is wrong.
pub fn parse_sheet(text: &str, file: &str) -> Result<Sheet, SheetError> {
    let reader = Reader { text, file };
    let raw: RawSheet = toml::from_str(text).map_err(|err| {
        let at = err.span().map_or(0, |span| span.start);
        // The library's names of types are not the reader's.
        let words = err.message().replace('\n', " ").replace("f64", "a number").replace("a sequence", "a list");
        reader.error(at, words)
    })?;
    let tour = raw.tour.get_ref();
    let plan = TourPlan::new(&tour.zone, &tour.changes)
        .map_err(|err| reader.error(reader.find_key(raw.tour.span().start, &err), err.to_string()))?;
    let rules = match raw.rules {
        None => Rules::default(),
        Some(rules) => {
            let at = rules.span().start;
            let rules = rules.into_inner();
            // The text begins with the name of the margin that can't be meant.
            rules.check().map_err(|text| {
                let name = text.split_whitespace().next().unwrap_or_default();
                reader.error(reader.key_after(at, name), text.clone())
            })?;
            rules
        }
    };
    let mut checks: Vec<Check> = Vec::new();
    for raw in &raw.check {
        let check = reader.check(raw)?;
        if checks.iter().any(|c| c.id == check.id) {
            return Err(reader.at(&raw.id, format!("check \"{}\" occurs twice; give each its own id", check.id)));
        }
        checks.push(check);
    }
    Ok(Sheet { plan, rules, checks })
}

struct Reader<'a> {
    text: &'a str,
    file: &'a str,
}

impl Reader<'_> {
    fn error(&self, byte: usize, text: String) -> SheetError {
        let before = self.text.as_bytes().get(..byte).unwrap_or(self.text.as_bytes());
        let line = 1 + before.iter().filter(|b| **b == b'\n').count();
        SheetError { file: self.file.to_owned(), line, text }
    }

    fn at<T>(&self, place: &Spanned<T>, text: String) -> SheetError {
        self.error(place.span().start, text)
    }

    /// The line of the `[tour]` table that the clock complains about.
    fn find_key(&self, table: usize, err: &super::clock::ClockError) -> usize {
        self.key_after(table, if matches!(err, super::clock::ClockError::Zone { .. }) { "zone" } else { "changes" })
    }

    /// Where a key stands at the start of a line of a table; the table where it does not.
    fn key_after(&self, table: usize, key: &str) -> usize {
        let mut at = table;
        for line in self.text.get(table..).unwrap_or_default().split_inclusive('\n') {
            if line.trim_start().strip_prefix(key).is_some_and(|rest| rest.trim_start().starts_with('=')) {
                return at;
            }
            at += line.len();
        }
        table
    }

    fn check(&self, raw: &RawCheck) -> Result<Check, SheetError> {
        let id = raw.id.get_ref();
        if id.is_empty() || !id.chars().all(|c| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '-') {
            let text = format!("id \"{id}\" can't be used; write small letters, digits and dashes, such as oil-level");
            return Err(self.at(&raw.id, text));
        }
        if raw.text.get_ref().trim().is_empty() {
            return Err(self.at(&raw.text, format!("check \"{id}\" has no text; write what is to be done")));
        }
        let per = match raw.per.get_ref().as_str() {
            "rig" => Per::Rig,
            "pump" => Per::Pump,
            "module" => Per::Module,
            other => {
                return Err(self.at(&raw.per, format!("per = \"{other}\" is not known; write pump, module or rig")));
            }
        };
        let every = Every::parse(raw.every.get_ref()).ok_or_else(|| {
            let text = format!(
                "every = \"{}\" is not known; write each tour, 3 times a tour, first and last connection of the tour, weekly, \
every two weeks, every 10 days or every 500 hours of running",
                raw.every.get_ref()
            );
            self.at(&raw.every, text)
        })?;
        let mut asks: Vec<Ask> = Vec::new();
        for raw_ask in raw.ask.get_ref() {
            let ask = self.ask(raw_ask)?;
            if asks.iter().any(|a| a.name == ask.name) {
                return Err(self.at(&raw_ask.name, format!("\"{}\" is asked twice in check \"{id}\"", ask.name)));
            }
            asks.push(ask);
        }
        if asks.is_empty() {
            return Err(self.at(
                &raw.ask,
                format!("check \"{id}\" asks nothing; write at least {{ name = \"look\", kind = \"ok\" }}"),
            ));
        }
        Ok(Check { id: id.clone(), text: raw.text.get_ref().clone(), per, every, note: raw.note.clone(), asks })
    }

    fn ask(&self, raw: &RawAsk) -> Result<Ask, SheetError> {
        let dimension = match raw.kind.get_ref().as_str() {
            "ok" | "text" | "photo" => None,
            "pressure" => Some(Dimension::Pressure),
            "temperature" => Some(Dimension::Temperature),
            "length" => Some(Dimension::Length),
            "volume" => Some(Dimension::Volume),
            "flow" => Some(Dimension::Flow),
            "torque" => Some(Dimension::Torque),
            "force" => Some(Dimension::Force),
            "density" => Some(Dimension::Density),
            other => {
                let text = format!(
                    "kind = \"{other}\" is not known; write ok, text, photo, pressure, temperature, length, volume, flow, torque, force or density"
                );
                return Err(self.at(&raw.kind, text));
            }
        };
        let kind = match dimension {
            Some(dimension) => self.reading(raw, dimension)?,
            None => {
                let usual = raw.usual.as_ref().map(|[low, _]| low);
                if let Some(field) = raw.unit.as_ref().or(raw.low.as_ref()).or(raw.high.as_ref()).or(usual) {
                    let text = format!("{} is no reading: leave unit, low, high and usual out", raw.name.get_ref());
                    return Err(self.at(field, text));
                }
                match raw.kind.get_ref().as_str() {
                    "ok" => AskKind::Ok,
                    "photo" => AskKind::Photo,
                    _ => AskKind::Text,
                }
            }
        };
        Ok(Ask { name: raw.name.get_ref().clone(), kind })
    }

    fn reading(&self, raw: &RawAsk, dimension: Dimension) -> Result<AskKind, SheetError> {
        let Some(unit) = &raw.unit else {
            return Err(self.at(
                &raw.kind,
                format!("{} needs its unit, such as unit = \"{}\"", raw.name.get_ref(), dimension.units()[0].symbol),
            ));
        };
        // The unit's own parser knows all its spellings; a 1 makes it a quantity.
        let (_, unit) = parse_quantity(&format!("1 {}", unit.get_ref()), dimension)
            .map_err(|err| self.at(unit, err.to_string()))?;
        let quantity = |what: &str, text: &Spanned<String>| {
            parse_quantity(text.get_ref(), dimension)
                .map(|(si, _)| si)
                .map_err(|err| self.at(text, format!("{what} of {}: {err}", raw.name.get_ref())))
        };
        let limit = |field: &Option<Spanned<String>>| match field {
            Some(text) if !text.get_ref().trim().is_empty() => quantity("limit", text).map(Some),
            _ => Ok(None),
        };
        let in_order = |what: &str, low: f64, high: f64, place: &Spanned<String>| {
            if low <= high {
                return Ok(());
            }
            Err(self.at(place, format!("the {what} of {} are the wrong way round", raw.name.get_ref())))
        };
        let (low, high) = (limit(&raw.low)?, limit(&raw.high)?);
        if let (Some(l), Some(h), Some(place)) = (low, high, &raw.high) {
            in_order("limits", l, h, place)?;
        }
        let usual = match &raw.usual {
            Some([least, most]) => {
                let range = [quantity("usual", least)?, quantity("usual", most)?];
                in_order("usual values", range[0], range[1], most)?;
                Some(range)
            }
            None => None,
        };
        let from = raw.from.clone().filter(|f| !f.trim().is_empty());
        Ok(AskKind::Reading { dimension, unit, limits: Limits { low, high, from, usual } })
    }
}

#[cfg(test)]
#[path = "sheet_tests.rs"]
mod tests;
