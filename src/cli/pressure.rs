//! A pressure as people write it, with or without its unit.

use crate::units::{PA_PER_KGF_CM2, bar_to_pa, pa_to_bar, psi_to_pa};

/// A pressure as typed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum Pressure {
    /// With a unit, in bar.
    Bar(f64),
    /// A bare number in whatever unit.
    Bare(f64),
}

impl Pressure {
    /// The number that the comparison uses.
    pub(crate) fn value(self) -> f64 {
        match self {
            Self::Bar(x) | Self::Bare(x) => x,
        }
    }
}

/// Reads `2600psi`, `179 bar`, `17.9MPa`, `17900 kPa`, `182kg/cm2` or a bare number.
pub(crate) fn parse(text: &str) -> Result<Pressure, String> {
    let text = text.trim();
    let unit_at =
        text.find(|c: char| !(c.is_ascii_digit() || matches!(c, '.' | ',' | '-' | '+'))).unwrap_or(text.len());
    let (number, unit) = text.split_at(unit_at);
    let x = number_of(number).ok_or_else(|| wrong(text))?;
    if x <= 0.0 {
        return Err(format!("`{text}` is no discharge pressure: it must be above 0, leave it out if it is not known"));
    }
    let pa = match unit.trim().to_ascii_lowercase().as_str() {
        "" => return Ok(Pressure::Bare(x)),
        "bar" => bar_to_pa(x),
        "psi" => psi_to_pa(x),
        "kpa" => x * 1e3,
        "mpa" => x * 1e6,
        "kg/cm2" | "kgf/cm2" => x * PA_PER_KGF_CM2,
        _ => return Err(wrong(text)),
    };
    Ok(Pressure::Bar(pa_to_bar(pa)))
}

fn wrong(text: &str) -> String {
    format!("`{text}` is not a pressure; write it like 2600psi, 179bar, 17.9MPa or as a bare number")
}

/// A finite number with a decimal point or comma.
pub(crate) fn number_of(text: &str) -> Option<f64> {
    text.trim().replace(',', ".").parse().ok().filter(|x: &f64| x.is_finite())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn units_come_to_the_same_bar() {
        // 2600 psi = 179.26 bar (1 psi = 6894.757 Pa).
        for text in ["2600psi", "2600 PSI", "17.92637MPa", "179,2637 bar", "17926.37 kPa"] {
            match parse(text) {
                Ok(Pressure::Bar(x)) => assert!((x - 179.2637).abs() < 1e-3, "{text}: {x}"),
                other => panic!("{text}: {other:?}"),
            }
        }
    }

    #[test]
    fn a_bare_number_stays_as_it_is() {
        assert_eq!(parse("2600"), Ok(Pressure::Bare(2600.0)));
    }

    #[test]
    fn nonsense_is_refused() {
        for text in ["", "psi", "12 furlongs", "-3bar", "0", "nan", "1e999", "inf psi"] {
            assert!(parse(text).is_err(), "{text}");
        }
    }
}
