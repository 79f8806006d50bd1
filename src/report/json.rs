//! Verdicts as JSON, field by field as other programs read them, with no more digits than they are worth.

use serde::Serialize;
use serde_json::{Value, json};

use crate::score::{BaselineInfo, ClipVerdict, OddGood, SkippedGood};

/// Name and version of the document.
pub const VERDICT_SCHEMA: &str = "seatsong.verdict/1";

/// Last digit of a printed departure.
const DEPARTURE_STEP: f64 = 0.001;

/// How many digits a field is worth.
enum Digits {
    /// Behind the point.
    Places(i32),
    /// In all.
    Significant(i32),
}

/// Digits by field name; a field without an entry keeps all of its own.
fn digits(field: &str) -> Option<Digits> {
    Some(match field {
        "departure" | "lock" | "spm" | "second_spm" | "sample_rate_hz" => Digits::Places(3),
        "excess_db" | "level_db" | "hiss_sd" | "peak_db" | "length_s" | "used_s" | "start_s" | "end_s" => {
            Digits::Places(2)
        }
        "arc_deg" => Digits::Places(1),
        "band_hz" => Digits::Places(0),
        "false_alarm" => Digits::Significant(2),
        _ => return None,
    })
}

/// Rounds as the digits say; what is no finite number is `null`. Frequencies that are whole become whole numbers.
fn number(x: f64, field: &str) -> Value {
    if !x.is_finite() {
        return Value::Null;
    }
    let places = match digits(field) {
        Some(Digits::Places(n)) => n,
        Some(Digits::Significant(n)) => {
            #[expect(clippy::cast_possible_truncation, reason = "a decimal exponent")]
            let magnitude = if x == 0.0 { 0 } else { x.abs().log10().floor() as i32 };
            n - 1 - magnitude
        }
        None => return json!(x),
    };
    // By way of the decimal text: a scaled and rounded number is not always the nearest to its decimals.
    let rounded = match usize::try_from(places) {
        Ok(places) => format!("{x:.places$}").parse().unwrap_or(x),
        Err(_) => {
            let unit = 10.0_f64.powi(-places);
            (x / unit).round() * unit
        }
    };
    // A verdict must follow from its printed departure: what is beyond a limit stays beyond it.
    let limit = [1.0, 2.0].into_iter().find(|l| field == "departure" && x > *l && rounded <= *l);
    let rounded = limit.map_or(rounded, |l| l + DEPARTURE_STEP);
    let rounded = if rounded == 0.0 { 0.0 } else { rounded };
    #[expect(clippy::cast_possible_truncation, reason = "whole and below 1e15")]
    if field.ends_with("_hz") && rounded.fract() == 0.0 && rounded.abs() < 1e15 {
        json!(rounded as i64)
    } else {
        json!(rounded)
    }
}

/// Rounds every number of a value by the name of the field that it stands in.
#[must_use]
pub fn tidy(value: Value, field: &str) -> Value {
    match value {
        Value::Number(n) if n.is_f64() => n.as_f64().map_or(Value::Null, |x| number(x, field)),
        Value::Array(items) => items.into_iter().map(|v| tidy(v, field)).collect(),
        Value::Object(fields) => fields
            .into_iter()
            .map(|(name, v)| {
                let v = tidy(v, &name);
                (name, v)
            })
            .collect(),
        other => other,
    }
}

/// What serialises without fail: the result types hold nothing but numbers, words and lists.
pub(crate) fn value_of(x: &impl Serialize) -> Value {
    tidy(serde_json::to_value(x).unwrap_or(Value::Null), "")
}

/// What the document says of the baseline.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Baselines {
    /// One object: all clips were compared with the same good ones.
    One,
    /// A list, one object a module.
    List,
}

/// The document of a comparison.
///
/// # Arguments
/// - `baselines`: one a module; `shape` says whether the document shows a list or the only one.
/// - `clips`: one a now clip, in the order asked.
/// - `odd`, `skipped`: good clips that do not fit the others, and those left out because they can't be used.
#[must_use]
pub fn verdicts(
    baselines: &[BaselineInfo],
    shape: Baselines,
    clips: &[ClipVerdict],
    odd: &[OddGood],
    skipped: &[SkippedGood],
) -> Value {
    let baseline = match shape {
        Baselines::One => baselines.first().map_or(Value::Null, value_of),
        Baselines::List => baselines.iter().map(value_of).collect(),
    };
    json!({
        "schema": VERDICT_SCHEMA,
        "baseline": baseline,
        "clips": clips.iter().map(value_of).collect::<Vec<_>>(),
        "odd_good": odd.iter().map(value_of).collect::<Vec<_>>(),
        "skipped_good": skipped.iter().map(value_of).collect::<Vec<_>>(),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_keep_the_digits_they_are_worth() {
        let raw = json!({
            "departure": 3.412_345, "false_alarm": 0.000_234_5, "excess_db": -6.128, "band_hz": [3199.7, 11000.2],
            "arc_deg": [20.04, 185.0], "spm": 71.932_87, "level_db": -0.0001, "sample_rate_hz": 48000.0, "strokes": 35
        });
        let want = json!({
            "departure": 3.412, "false_alarm": 0.00023, "excess_db": -6.13, "band_hz": [3200, 11000],
            "arc_deg": [20.0, 185.0], "spm": 71.933, "level_db": 0.0, "sample_rate_hz": 48000, "strokes": 35
        });
        assert_eq!(tidy(raw, ""), want);
    }

    #[test]
    fn false_alarm_keeps_two_digits_at_every_size() {
        for (x, want) in [(1.0, 1.0), (0.994, 0.99), (0.0123, 0.012), (3.456e-7, 3.5e-7), (0.0, 0.0)] {
            assert_eq!(number(x, "false_alarm"), json!(want));
        }
    }

    #[test]
    fn a_departure_beyond_a_limit_stays_beyond_it() {
        for (x, want) in [(1.0001, 1.001), (2.000_000_1, 2.001), (1.0, 1.0), (0.9999, 1.0), (2.0, 2.0), (1.9996, 2.0)] {
            assert_eq!(number(x, "departure"), json!(want), "{x}");
        }
    }

    #[test]
    fn what_is_no_number_is_null() {
        assert_eq!(number(f64::NAN, "departure"), Value::Null);
        assert_eq!(number(f64::INFINITY, "level_db"), Value::Null);
    }
}
