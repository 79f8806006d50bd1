//! Pressure as people type it: `2600psi`, `179 bar`, `17.9MPa`.

use super::{PA_PER_BAR, PA_PER_KGF_CM2, PA_PER_PSI};

/// Units in which a pressure can be typed. All are read as gauge pressure, as a rig's gauges show it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum PressureUnit {
    /// Pound-force per square inch.
    Psi,
    /// Bar.
    Bar,
    /// Kilopascal.
    Kilopascal,
    /// Megapascal.
    Megapascal,
    /// Kilogram-force per square centimetre.
    KgfPerCm2,
    /// Pascal.
    Pascal,
}

impl PressureUnit {
    /// Pascal in one unit.
    #[must_use]
    pub fn pa(self) -> f64 {
        match self {
            Self::Psi => PA_PER_PSI,
            Self::Bar => PA_PER_BAR,
            Self::Kilopascal => 1e3,
            Self::Megapascal => 1e6,
            Self::KgfPerCm2 => PA_PER_KGF_CM2,
            Self::Pascal => 1.0,
        }
    }

    /// How the unit is written.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Psi => "psi",
            Self::Bar => "bar",
            Self::Kilopascal => "kPa",
            Self::Megapascal => "MPa",
            Self::KgfPerCm2 => "kgf/cm2",
            Self::Pascal => "Pa",
        }
    }

    /// Reads a unit. Case does not matter: nobody types millipascal at a mud pump.
    #[must_use]
    pub fn parse(text: &str) -> Option<Self> {
        Some(match text.trim().to_ascii_lowercase().as_str() {
            "psi" | "psig" | "lb/in2" | "lbf/in2" => Self::Psi,
            "bar" | "bars" | "barg" => Self::Bar,
            "kpa" => Self::Kilopascal,
            "mpa" => Self::Megapascal,
            "kgf/cm2" | "kg/cm2" | "ksc" => Self::KgfPerCm2,
            "pa" => Self::Pascal,
            _ => return None,
        })
    }
}

/// A pressure as it was typed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Pressure {
    /// With its unit.
    Given {
        /// The pressure in Pa.
        pa: f64,
        /// The unit that was typed.
        unit: PressureUnit,
    },
    /// A plain number: the reader has to say (or look at the other readings) which unit is meant.
    NoUnit {
        /// The number.
        value: f64,
    },
}

impl Pressure {
    /// The pressure in Pa, if a unit was typed.
    #[must_use]
    pub fn pa(self) -> Option<f64> {
        match self {
            Self::Given { pa, .. } => Some(pa),
            Self::NoUnit { .. } => None,
        }
    }

    /// The pressure in Pa, a plain number being taken as `unit`.
    #[must_use]
    pub fn pa_or(self, unit: PressureUnit) -> f64 {
        match self {
            Self::Given { pa, .. } => pa,
            Self::NoUnit { value } => value * unit.pa(),
        }
    }
}

/// Why a text is not a pressure.
#[derive(Debug, Clone, thiserror::Error, PartialEq, Eq)]
#[non_exhaustive]
pub enum PressureError {
    /// No number at the start.
    #[error("\"{text}\" is not a pressure; write a number and its unit, such as 2600psi, 179bar or 17.9MPa")]
    NotANumber {
        /// What was typed.
        text: String,
    },
    /// The unit is not known.
    #[error("unknown pressure unit \"{unit}\" in \"{text}\"; use psi, bar, kPa, MPa, Pa or kgf/cm2")]
    UnknownUnit {
        /// What was typed.
        text: String,
        /// What stands where the unit should be.
        unit: String,
    },
    /// `2,600` is 2600 to one reader and 2.6 to another.
    #[error("\"{text}\" can be read in two ways; write 2600 or 2.6 without a thousands mark")]
    Ambiguous {
        /// What was typed.
        text: String,
    },
    /// Negative, or not finite.
    #[error("\"{text}\" is out of range; a pressure is zero or more")]
    OutOfRange {
        /// What was typed.
        text: String,
    },
}

/// Reads a pressure: a number, optional blanks, an optional unit.
///
/// A decimal comma is read as a point (`17,9 MPa`), except before exactly three digits, where it may as well mark thousands.
///
/// # Errors
/// [`PressureError`] names the text, what is wrong with it and what to write instead.
///
/// # Examples
/// ```
/// use seatsong::units::{Pressure, PressureUnit, parse_pressure};
/// assert_eq!(parse_pressure("179 bar")?, Pressure::Given { pa: 17_900_000.0, unit: PressureUnit::Bar });
/// assert_eq!(parse_pressure("2600")?, Pressure::NoUnit { value: 2600.0 });
/// # Ok::<(), seatsong::units::PressureError>(())
/// ```
pub fn parse_pressure(text: &str) -> Result<Pressure, PressureError> {
    let owned = || text.to_owned();
    let trimmed = text.trim();
    // `e` belongs to the number only inside one such as 1.79e7; no unit starts with it.
    let is_numeric = |c: char| c.is_ascii_digit() || matches!(c, '.' | ',' | '+' | '-' | 'e' | 'E');
    let end = trimmed.find(|c| !is_numeric(c)).unwrap_or(trimmed.len());
    let (number, unit) = trimmed.split_at(end);
    if let Some((_, after)) = number.split_once(',')
        && (after.contains(',') || after.len() == 3 || number.contains('.'))
    {
        return Err(PressureError::Ambiguous { text: owned() });
    }
    let value: f64 = number.replace(',', ".").parse().map_err(|_| PressureError::NotANumber { text: owned() })?;
    if !value.is_finite() || value < 0.0 {
        return Err(PressureError::OutOfRange { text: owned() });
    }
    let unit = unit.trim();
    if unit.is_empty() {
        return Ok(Pressure::NoUnit { value });
    }
    let unit =
        PressureUnit::parse(unit).ok_or_else(|| PressureError::UnknownUnit { text: owned(), unit: unit.to_owned() })?;
    let pa = value * unit.pa();
    if !pa.is_finite() {
        return Err(PressureError::OutOfRange { text: owned() });
    }
    Ok(Pressure::Given { pa, unit })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_ways_people_write_one_pressure() {
        for text in [
            "2600psi",
            " 2600 psi",
            "2600 PSIG",
            "179.2637bar",
            "17.92637MPa",
            "17,92637 mpa",
            "1.792637e7 Pa",
            "17926.37kPa",
        ] {
            let pa = parse_pressure(text).unwrap().pa().unwrap();
            assert!((pa - 17_926_369.0).abs() < 100.0, "{text}: {pa}");
        }
        let ksc = parse_pressure("100 kgf/cm2").unwrap().pa().unwrap();
        assert!((ksc - 9_806_650.0).abs() < 1e-6);
    }

    #[test]
    fn a_plain_number_has_no_unit() {
        let p = parse_pressure("2600").unwrap();
        assert_eq!(p, Pressure::NoUnit { value: 2600.0 });
        assert_eq!(p.pa(), None);
        assert!((p.pa_or(PressureUnit::Psi) - 17_926_369.0).abs() < 1.0);
    }

    #[test]
    fn what_is_not_a_pressure_says_so() {
        for text in ["", "psi", "abc", "--5", "1.2.3 bar", "nan", "inf"] {
            assert!(matches!(parse_pressure(text), Err(PressureError::NotANumber { .. })), "{text}");
        }
        for text in ["2,600 psi", "2,600", "1,234,567", "1,234.5"] {
            assert!(matches!(parse_pressure(text), Err(PressureError::Ambiguous { .. })), "{text}");
        }
        for text in ["-3 bar", "1e999", "1e308 MPa"] {
            assert!(matches!(parse_pressure(text), Err(PressureError::OutOfRange { .. })), "{text}");
        }
        let err = parse_pressure("12 stone").unwrap_err();
        assert!(err.to_string().contains("stone"), "{err}");
    }
}
