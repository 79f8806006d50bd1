//! Pump speed as a console shows it, and running hours, as typed.

/// Strokes a minute that a console can show.
const CONSOLE_SPM: std::ops::RangeInclusive<f64> = 5.0..=400.0;

/// Reads strokes a minute as typed, with a decimal point or comma.
///
/// # Errors
/// What may be typed, in words.
pub fn console_spm(text: &str) -> Result<f64, String> {
    let number: Option<f64> = text.trim().replace(',', ".").parse().ok();
    number
        .filter(|x| CONSOLE_SPM.contains(x))
        .ok_or_else(|| format!("must be strokes a minute, from {} to {}", CONSOLE_SPM.start(), CONSOLE_SPM.end()))
}

/// Reads running hours as typed, with a decimal point or comma, and `h` behind them or not.
///
/// # Errors
/// What may be typed, in words.
pub fn running_hours(text: &str) -> Result<f64, String> {
    let number = text.trim().trim_end_matches(['h', 'H']).trim_end().replace(',', ".");
    let hours: Option<f64> = number.parse().ok();
    hours
        .filter(|h| h.is_finite() && *h >= 0.0)
        .ok_or_else(|| format!("`{text}` is no number of running hours; write it like 10.5"))
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
        for text in ["", "h", "-1", "NaN", "inf", "1e999", "10:30", "ten", "10 min"] {
            assert!(running_hours(text).unwrap_err().contains("10.5"), "{text}");
        }
    }
}
