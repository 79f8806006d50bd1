//! A reading as it is typed: read with its unit, refused when it can't be, asked about when it hardly can.

use super::sheet::{Ask, AskKind};
use crate::robust;
use crate::units::{Dimension, Unit, parse_quantity};

/// One answer to an ask of the sheet.
#[derive(Debug, Clone, PartialEq)]
pub enum Answer {
    /// Nothing to remark.
    Ok,
    /// Something wants attention; what.
    Attention(String),
    /// Words.
    Text(String),
    /// The path of a photo file.
    Photo(String),
    /// A reading in SI and the unit in which it was typed.
    Reading {
        /// SI value.
        si: f64,
        /// Unit typed.
        unit: &'static Unit,
    },
}

/// Why an answer is not taken.
#[derive(Debug, Clone, thiserror::Error, PartialEq)]
#[non_exhaustive]
pub enum ReadingError {
    /// Empty.
    #[error("{name}: nothing was entered; write {wanted}")]
    Empty {
        /// The ask.
        name: String,
        /// What would do.
        wanted: &'static str,
    },
    /// Neither ok nor attention.
    #[error("{name}: \"{text}\" is neither; write ok, or attention and what was seen")]
    NotOk {
        /// The ask.
        name: String,
        /// What was typed.
        text: String,
    },
    /// Attention without words.
    #[error("{name}: attention, but for what? Write it behind, such as attention mud in the returns")]
    NoWords {
        /// The ask.
        name: String,
    },
    /// Not a quantity.
    #[error("{name}: {what}")]
    Quantity {
        /// The ask.
        name: String,
        /// What is wrong with it. In the text, so no `source`: a chain would say it twice.
        what: crate::units::QuantityError,
    },
    /// Beyond what such a thing can be.
    #[error("{name}: {text} can't be: such a reading lies between {low} and {high}; check the unit and the digits")]
    Impossible {
        /// The ask.
        name: String,
        /// What was typed.
        text: String,
        /// Lowest that can be, in the ask's unit.
        low: String,
        /// Highest.
        high: String,
    },
}

/// An answer, and a question where it is unlikely.
#[derive(Debug, Clone, PartialEq)]
pub struct Judged {
    /// The answer as read.
    pub answer: Answer,
    /// Asks whether it is meant; the entry is made only when somebody says yes.
    pub question: Option<String>,
}

/// What no reading of a kind on a rig pump can leave, SI. Wide on purpose: within it a reading may be odd, outside it is a slip.
fn possible(dimension: Dimension) -> [f64; 2] {
    match dimension {
        // 1500 bar is twice the highest rating of rig pumps.
        Dimension::Pressure => [0.0, 1.5e8],
        Dimension::Temperature => [203.15, 523.15],
        Dimension::Length => [0.0, 30.0],
        Dimension::Volume => [0.0, 2000.0],
        Dimension::Flow => [0.0, 1.0],
        Dimension::Torque => [0.0, 1e5],
        Dimension::Force => [0.0, 1e7],
        Dimension::Density => [500.0, 3500.0],
    }
}

/// Readings before which "far from the earlier ones" is not said.
const FEWEST_BEFORE: usize = 3;

/// Reads one answer and says whether it is likely.
///
/// # Arguments
/// - `ask`: of the sheet.
/// - `text`: as typed.
/// - `before`: earlier readings of the same ask on the same pump or module, SI.
///
/// # Errors
/// [`ReadingError`] for what can't be taken, with what to write instead.
pub fn judge(ask: &Ask, text: &str, before: &[f64]) -> Result<Judged, ReadingError> {
    let name = ask.name.clone();
    let trimmed = text.trim();
    let plain = |answer| Ok(Judged { answer, question: None });
    match &ask.kind {
        AskKind::Ok => match trimmed.split_once(char::is_whitespace).unwrap_or((trimmed, "")) {
            ("", _) => Err(ReadingError::Empty { name, wanted: "ok, or attention and what was seen" }),
            (word, "") if word.eq_ignore_ascii_case("ok") => plain(Answer::Ok),
            (word, rest) if word.trim_end_matches(':').eq_ignore_ascii_case("attention") => {
                if rest.trim().is_empty() {
                    Err(ReadingError::NoWords { name })
                } else {
                    plain(Answer::Attention(rest.trim().into()))
                }
            }
            _ => Err(ReadingError::NotOk { name, text: trimmed.to_owned() }),
        },
        AskKind::Text if trimmed.is_empty() => Err(ReadingError::Empty { name, wanted: "what was seen" }),
        AskKind::Text => plain(Answer::Text(trimmed.to_owned())),
        AskKind::Photo if trimmed.is_empty() => Err(ReadingError::Empty { name, wanted: "the path of the photo" }),
        AskKind::Photo => plain(Answer::Photo(trimmed.to_owned())),
        AskKind::Reading { dimension, unit, limits } => {
            if trimmed.is_empty() {
                return Err(ReadingError::Empty { name, wanted: "a number and its unit" });
            }
            let (si, typed) = parse_quantity(trimmed, *dimension)
                .map_err(|what| ReadingError::Quantity { name: name.clone(), what })?;
            let [low, high] = possible(*dimension);
            if !(low..=high).contains(&si) {
                let (low, high) = (unit.show(low), unit.show(high));
                return Err(ReadingError::Impossible { name, text: trimmed.to_owned(), low, high });
            }
            // A limit that somebody entered knows better what is usual than our rule of thumb.
            let known = limits.low.is_some() || limits.high.is_some();
            let thumb = limits.usual.filter(|_| !known && before.len() < FEWEST_BEFORE);
            let question = far_from(&name, si, unit, before).or_else(|| outside_usual(&name, si, unit, thumb));
            Ok(Judged { answer: Answer::Reading { si, unit: typed }, question })
        }
    }
}

fn outside_usual(name: &str, si: f64, unit: &Unit, usual: Option<[f64; 2]>) -> Option<String> {
    let [low, high] = usual?;
    if (low..=high).contains(&si) {
        return None;
    }
    Some(format!(
        "{name}: {} is unusual (usually {} to {}, rule of thumb); is it meant? Say --yes to enter it",
        unit.show(si),
        unit.show(low),
        unit.show(high)
    ))
}

/// A slip of a digit or a unit is a factor of two or more; a pump that has stopped shows nothing at all, and that is no slip.
fn far_from(name: &str, si: f64, unit: &Unit, before: &[f64]) -> Option<String> {
    let usual = robust::median(before).filter(|_| before.len() >= FEWEST_BEFORE)?;
    let (zero, far) = (unit.to_si(0.0), 2.0);
    let (a, b) = (si - zero.min(0.0), usual - zero.min(0.0));
    let ratio = if a > b { a / b } else { b / a };
    if si == 0.0 || usual == 0.0 || ratio < far || !ratio.is_finite() {
        return None;
    }
    Some(format!(
        "{name}: {} is far from the earlier {}; is it meant? Say --yes to enter it",
        unit.show(si),
        unit.show(usual)
    ))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::tour::{DEFAULT_SHEET, parse_sheet};

    fn ask(check: &str, name: &str) -> Ask {
        let sheet = parse_sheet(DEFAULT_SHEET, "checks.toml").unwrap();
        let check = sheet.checks.iter().find(|c| c.id == check).unwrap();
        check.asks.iter().find(|a| a.name == name).unwrap().clone()
    }

    fn pump_gauge(text: &str, before: &[f64]) -> Result<Judged, ReadingError> {
        judge(&ask("gauges", "pump"), text, before)
    }

    #[test]
    fn likely_readings_are_taken_in_any_unit() {
        for text in ["212 bar", "3075 psi", "21.2 MPa", "21,2 MPa"] {
            let judged = pump_gauge(text, &[]).unwrap();
            let Answer::Reading { si, .. } = judged.answer else { panic!("{judged:?}") };
            assert!((si - 2.12e7).abs() < 2e4 && judged.question.is_none(), "{text}");
        }
    }

    #[test]
    fn what_cannot_be_is_refused() {
        assert!(matches!(pump_gauge("", &[]), Err(ReadingError::Empty { .. })));
        assert!(matches!(pump_gauge("212", &[]), Err(ReadingError::Quantity { .. })), "no unit");
        assert!(matches!(pump_gauge("212 C", &[]), Err(ReadingError::Quantity { .. })), "wrong unit");
        assert!(matches!(pump_gauge("-3 bar", &[]), Err(ReadingError::Quantity { .. })));
        let err = pump_gauge("21200 bar", &[]).unwrap_err();
        assert!(err.to_string().contains("1500 bar"), "{err}");
    }

    #[test]
    fn what_hardly_can_be_is_asked_about() {
        let judged = pump_gauge("2.12 bar", &[]).unwrap();
        assert!(judged.question.unwrap().contains("rule of thumb"));
        let before = [2.1e7, 2.12e7, 2.15e7];
        assert!(pump_gauge("215 bar", &before).unwrap().question.is_none());
        let slip = pump_gauge("21 bar", &before).unwrap();
        assert!(slip.question.unwrap().contains("far from the earlier 212 bar"));
        assert!(pump_gauge("0 bar", &before).unwrap().question.is_none(), "a stopped pump shows nothing");
        let gas = ask("precharge", "gas");
        let kelvins = [300.0, 301.0, 302.0];
        assert!(judge(&gas, "5 C", &kelvins).unwrap().question.is_none());
    }

    #[test]
    fn looks_are_ok_or_attention_with_words() {
        let look = ask("liner-wash", "returns");
        let read = |text: &str| judge(&look, text, &[]).map(|j| j.answer);
        assert_eq!(read("OK"), Ok(Answer::Ok));
        assert_eq!(read("attention mud in the returns"), Ok(Answer::Attention("mud in the returns".into())));
        assert_eq!(read("Attention: mud"), Ok(Answer::Attention("mud".into())));
        assert!(matches!(read("attention"), Err(ReadingError::NoWords { .. })));
        assert!(matches!(read("ok but muddy"), Err(ReadingError::NotOk { .. })), "a doubt is not an ok");
        assert!(matches!(read("  "), Err(ReadingError::Empty { .. })));
    }
}
