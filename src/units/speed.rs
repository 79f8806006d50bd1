//! Pump speed as a console shows it.

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
