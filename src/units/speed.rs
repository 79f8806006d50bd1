//! Pump speed as a console shows it, and running hours, as typed.

use std::ops::RangeInclusive;

use super::number::{NumberError, typed, typed_within};

/// Strokes a minute that a console can show.
const CONSOLE_SPM: RangeInclusive<f64> = 5.0..=400.0;

/// Whether a console can show so many strokes a minute.
///
/// # Errors
/// What it can show, in words.
pub fn console_can_show(spm: f64) -> Result<f64, String> {
    if CONSOLE_SPM.contains(&spm) {
        return Ok(spm);
    }
    Err(format!("must be strokes a minute, from {} to {}", CONSOLE_SPM.start(), CONSOLE_SPM.end()))
}

/// Reads strokes a minute as typed. `72,125` has one reading here: no console shows 72125.
///
/// # Errors
/// What may be typed, in words.
pub fn console_spm(text: &str) -> Result<f64, String> {
    console_can_show(typed_within(text, &CONSOLE_SPM).unwrap_or(f64::NAN))
}

/// Reads running hours as typed, with `h` behind them or not.
///
/// # Errors
/// What may be typed, in words.
pub fn running_hours(text: &str) -> Result<f64, String> {
    match typed(text.trim().trim_end_matches(['h', 'H'])) {
        Ok(hours) if hours >= 0.0 => Ok(hours),
        Err(err @ NumberError::TwoReadings { .. }) => Err(err.to_string()),
        _ => Err(format!("`{text}` is no number of running hours; write it like 10.5")),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn running_hours_are_a_number_with_or_without_its_unit() {
        for text in ["10.5", "10,5 h", " 10.5h ", "10.50 H"] {
            assert_eq!(running_hours(text), Ok(10.5), "{text}");
        }
        assert_eq!(running_hours("0"), Ok(0.0));
        assert_eq!(running_hours("1 250 h"), Ok(1250.0));
        for text in ["", "h", "-1", "NaN", "inf", "1e999", "10:30", "ten", "10 min"] {
            assert!(running_hours(text).unwrap_err().contains("10.5"), "{text}");
        }
        assert!(running_hours("1,250 h").unwrap_err().contains("1250 or as 1.25"));
    }

    #[test]
    fn strokes_a_minute_are_what_a_console_can_show() {
        for (text, want) in [("72", 72.0), ("71,5", 71.5), ("72.125", 72.125), ("72,125", 72.125)] {
            assert_eq!(console_spm(text), Ok(want), "{text}");
        }
        for text in ["", "0", "4000", "1,250", "-72", "nan", "fast"] {
            assert!(console_spm(text).unwrap_err().contains("from 5 to 400"), "{text}");
        }
    }
}
