//! Numbers with units as people type them: text in, SI out, and back to text in the site's units.
//!
//! Each kind of quantity is a type of its own that holds its SI value, so that a pressure can't be entered where a length is meant. A
//! number without a unit is refused: 179 is a good pressure in bar and a dangerous one in psi.

use super::number::{self, NumberError};
use super::{
    KELVIN_AT_0_C, KG_M3_PER_PPG, M_PER_FT, M_PER_IN, M3_PER_BBL, M3_PER_GAL, N_PER_LBF, PA_PER_BAR, PA_PER_KGF_CM2,
    PA_PER_PSI,
};

/// Units in which a site wants its numbers shown.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum UnitSystem {
    /// US oilfield: psi, inches, ppg, barrels, gpm, lbf, Fahrenheit.
    #[default]
    Us,
    /// SI as used on rigs: bar, mm, kg/m3, m3, l/min, kN, Celsius.
    Si,
}

impl UnitSystem {
    /// `us` or `si`.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Us => "us",
            Self::Si => "si",
        }
    }
}

impl std::str::FromStr for UnitSystem {
    type Err = QuantityError;

    fn from_str(text: &str) -> Result<Self, QuantityError> {
        match text.trim().to_ascii_lowercase().as_str() {
            "us" => Ok(Self::Us),
            "si" => Ok(Self::Si),
            _ => Err(QuantityError::NoSystem { text: text.to_owned() }),
        }
    }
}

/// A kind of quantity.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Dimension {
    /// SI value in m.
    Length,
    /// SI value in Pa, gauge as a rig's gauges show it.
    Pressure,
    /// Mud weight; SI value in kg/m3.
    Density,
    /// SI value in N.
    Force,
    /// SI value in m3.
    Volume,
    /// Volume flow; SI value in m3/s.
    Flow,
    /// SI value in K.
    Temperature,
    /// SI value in N·m.
    Torque,
}

/// One unit of a kind of quantity.
#[derive(Debug, PartialEq)]
pub struct Unit {
    /// How it is written.
    pub symbol: &'static str,
    /// Other ways in which people write it, in lower case without blanks.
    names: &'static [&'static str],
    /// SI value of one unit.
    scale: f64,
    /// SI value at zero of this unit.
    zero: f64,
    /// Places behind the point that a reading in this unit is worth.
    places: usize,
}

impl Unit {
    /// A number of this unit in SI.
    #[must_use]
    pub fn to_si(&self, x: f64) -> f64 {
        x * self.scale + self.zero
    }

    /// An SI value in this unit.
    #[must_use]
    pub fn in_unit(&self, si: f64) -> f64 {
        (si - self.zero) / self.scale
    }

    /// An SI value as text in this unit, with the digits that a reading in it is worth and no trailing zeros but for one: what is
    /// shown is read back as typed text, so three decimals that could be a group of thousands get a fourth (`6.1250 in`).
    #[must_use]
    pub fn show(&self, si: f64) -> String {
        let x = self.in_unit(si);
        // What is small in its unit keeps three digits: 0.5 mm is not 0 in. A temperature near zero is not small.
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a small count of places")]
        let small = if x == 0.0 || self.zero > 0.0 || !x.is_finite() {
            0
        } else {
            (2.0 - x.abs().log10().floor()).clamp(0.0, 12.0) as usize
        };
        let places = if x.abs() < 1.0 { self.places.max(small) } else { self.places };
        let text = format!("{x:.places$}");
        let text = if text.contains('.') { text.trim_end_matches('0').trim_end_matches('.') } else { &text };
        let text = if text == "-0" { "0" } else { text };
        format!("{} {}", number::one_reading(text.to_owned()), self.symbol)
    }
}

const fn unit(symbol: &'static str, names: &'static [&'static str], scale: f64, places: usize) -> Unit {
    Unit { symbol, names, scale, zero: 0.0, places }
}

const LENGTH: [Unit; 5] = [
    unit("in", &["inch", "inches", "\""], M_PER_IN, 3),
    unit("mm", &[], 1e-3, 1),
    unit("cm", &[], 1e-2, 2),
    unit("m", &[], 1.0, 4),
    unit("ft", &["foot", "feet"], M_PER_FT, 3),
];
const PRESSURE: [Unit; 6] = [
    unit("psi", &["psig", "lb/in2", "lbf/in2"], PA_PER_PSI, 0),
    unit("bar", &["bars", "barg"], PA_PER_BAR, 1),
    unit("kPa", &["kpa"], 1e3, 0),
    unit("MPa", &["mpa"], 1e6, 2),
    unit("Pa", &["pa"], 1.0, 0),
    unit("kgf/cm2", &["kg/cm2", "ksc"], PA_PER_KGF_CM2, 1),
];
const DENSITY: [Unit; 4] = [
    unit("ppg", &["lb/gal", "lbm/gal"], KG_M3_PER_PPG, 2),
    unit("kg/m3", &[], 1.0, 0),
    // Specific gravity of mud: the mud balance's g/cm3.
    unit("sg", &["s.g.", "g/cm3", "g/cc", "kg/l"], 1e3, 3),
    unit("lb/ft3", &["pcf", "lbm/ft3"], 0.453_592_37 / (M_PER_FT * M_PER_FT * M_PER_FT), 1),
];
const FORCE: [Unit; 4] = [
    unit("lbf", &["lb", "lbs"], N_PER_LBF, 0),
    unit("kN", &["kn"], 1e3, 1),
    unit("N", &["n"], 1.0, 0),
    unit("klbf", &["klb", "kips", "kip"], 1e3 * N_PER_LBF, 2),
];
const VOLUME: [Unit; 4] = [
    unit("bbl", &["bbls", "barrel", "barrels"], M3_PER_BBL, 2),
    unit("m3", &[], 1.0, 3),
    unit("gal", &["gallon", "gallons"], M3_PER_GAL, 1),
    unit("l", &["litre", "litres", "liter", "liters"], 1e-3, 1),
];
const FLOW: [Unit; 6] = [
    unit("gpm", &["gal/min"], M3_PER_GAL / 60.0, 0),
    unit("l/min", &["lpm"], 1e-3 / 60.0, 0),
    unit("m3/h", &["m3/hr"], 1.0 / 3600.0, 1),
    unit("l/s", &[], 1e-3, 2),
    unit("m3/min", &[], 1.0 / 60.0, 3),
    unit("bbl/min", &[], M3_PER_BBL / 60.0, 2),
];
const TEMPERATURE: [Unit; 3] = [
    Unit { symbol: "°F", names: &["degf", "fahrenheit"], scale: 1.0 / 1.8, zero: 459.67 / 1.8, places: 0 },
    Unit { symbol: "°C", names: &["degc", "celsius"], scale: 1.0, zero: KELVIN_AT_0_C, places: 1 },
    Unit { symbol: "K", names: &["k", "kelvin"], scale: 1.0, zero: 0.0, places: 1 },
];
const TORQUE: [Unit; 4] = [
    unit(
        "ft-lbf",
        &["ft-lb", "ft-lbs", "ft.lbf", "ft.lb", "ftlb", "ftlbf", "lbf-ft", "lb-ft"],
        M_PER_FT * N_PER_LBF,
        0,
    ),
    unit("N·m", &["nm", "n.m", "n-m"], 1.0, 0),
    unit("kN·m", &["knm", "kn.m", "kn-m"], 1e3, 2),
    unit("in-lbf", &["in-lb", "in.lb", "in.lbf"], M_PER_IN * N_PER_LBF, 0),
];

impl Dimension {
    /// The word for it.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Length => "length",
            Self::Pressure => "pressure",
            Self::Density => "mud weight",
            Self::Force => "force",
            Self::Volume => "volume",
            Self::Flow => "flow",
            Self::Temperature => "temperature",
            Self::Torque => "torque",
        }
    }

    /// The units in which it can be typed.
    #[must_use]
    pub fn units(self) -> &'static [Unit] {
        match self {
            Self::Length => &LENGTH,
            Self::Pressure => &PRESSURE,
            Self::Density => &DENSITY,
            Self::Force => &FORCE,
            Self::Volume => &VOLUME,
            Self::Flow => &FLOW,
            Self::Temperature => &TEMPERATURE,
            Self::Torque => &TORQUE,
        }
    }

    /// The unit in which a site shows it: the first of [`Self::units`] in US, the second in SI.
    #[must_use]
    pub fn shown_in(self, system: UnitSystem) -> &'static Unit {
        let units = self.units();
        match system {
            UnitSystem::Us => &units[0],
            UnitSystem::Si => &units[1],
        }
    }

    /// An SI value as text in the site's unit, such as `2600 psi`.
    #[must_use]
    pub fn show(self, si: f64, system: UnitSystem) -> String {
        self.shown_in(system).show(si)
    }

    fn symbols(self) -> String {
        self.units().iter().map(|u| u.symbol).collect::<Vec<_>>().join(", ")
    }

    /// Whether an SI value can be one of this kind: nothing is below zero (absolute zero for a temperature).
    fn holds(self, si: f64) -> bool {
        si.is_finite() && si >= 0.0
    }
}

/// Why a text is not such a quantity.
#[derive(Debug, Clone, thiserror::Error, PartialEq, Eq)]
#[non_exhaustive]
pub enum QuantityError {
    /// No number at the start.
    #[error("\"{text}\" is no {kind}; write a number and its unit, such as {example}")]
    NotANumber {
        /// What was typed.
        text: String,
        /// The kind that was wanted.
        kind: &'static str,
        /// A text that would do.
        example: String,
    },
    /// A number alone.
    #[error("\"{text}\" has no unit, and a {kind} needs one: write {example}; units are {units}")]
    NoUnit {
        /// What was typed.
        text: String,
        /// The kind that was wanted.
        kind: &'static str,
        /// The same number with each usual unit.
        example: String,
        /// All units of this kind.
        units: String,
    },
    /// The unit is not one of this kind.
    #[error("\"{unit}\" in \"{text}\" is no unit of {kind}; use {units}")]
    UnknownUnit {
        /// What was typed.
        text: String,
        /// What stands where the unit should be.
        unit: String,
        /// The kind that was wanted.
        kind: &'static str,
        /// All units of this kind.
        units: String,
    },
    /// `2,600 psi` is 2600 psi to one reader and 2.6 psi to another.
    #[error("\"{text}\" can be read as {grouped} or as {decimal}; write the one that is meant")]
    TwoReadings {
        /// What was typed.
        text: String,
        /// The reading with a mark for thousands, as it can be typed.
        grouped: String,
        /// The reading with a decimal mark, as it can be typed.
        decimal: String,
    },
    /// Below zero, or not finite.
    #[error("\"{text}\" is out of range; a {kind} can't be below zero{absolute}")]
    OutOfRange {
        /// What was typed.
        text: String,
        /// The kind that was wanted.
        kind: &'static str,
        /// ` kelvin` for temperatures.
        absolute: &'static str,
    },
    /// Neither `us` nor `si`.
    #[error("\"{text}\" is no set of units; write us (psi, in, ppg, bbl) or si (bar, mm, kg/m3, m3)")]
    NoSystem {
        /// What was typed.
        text: String,
    },
}

/// Reads a quantity: a number, optional blanks, a unit.
///
/// The number is read by [`number::typed`], so `2,600 psi` is refused with both readings. Lengths may have a fraction as on a
/// liner: `6 1/2in`.
///
/// # Returns
/// The SI value of `kind` and the unit that was typed.
///
/// # Errors
/// [`QuantityError`] names the text, what is wrong with it and what to write instead.
pub fn parse_quantity(text: &str, kind: Dimension) -> Result<(f64, &'static Unit), QuantityError> {
    let trimmed = text.trim();
    let (number, name) = trimmed.split_at(unit_start(trimmed));
    let (number, spelling) = (number.trim(), name.trim());
    let name = plain(name);
    let out_of_range = || {
        let absolute = if kind == Dimension::Temperature { " kelvin" } else { "" };
        QuantityError::OutOfRange { text: text.to_owned(), kind: kind.as_str(), absolute }
    };
    let not_a_number =
        || QuantityError::NotANumber { text: text.to_owned(), kind: kind.as_str(), example: examples(kind, "12") };
    let with_unit = |number: &str| format!("{number} {spelling}").trim_end().to_owned();
    let x = if number.contains('/') && kind == Dimension::Length {
        fraction(number).ok_or_else(not_a_number)?
    } else {
        number::typed(number).map_err(|err| match err {
            NumberError::TwoReadings { grouped, decimal, .. } => QuantityError::TwoReadings {
                text: text.to_owned(),
                grouped: with_unit(&grouped),
                decimal: with_unit(&decimal),
            },
            NumberError::TooLarge { .. } => out_of_range(),
            _ => not_a_number(),
        })?
    };
    if name.is_empty() {
        return Err(QuantityError::NoUnit {
            text: text.to_owned(),
            kind: kind.as_str(),
            example: examples(kind, number),
            units: kind.symbols(),
        });
    }
    let unit = kind.units().iter().find(|u| plain(u.symbol) == name || u.names.contains(&name.as_str()));
    let unit = unit.ok_or_else(|| QuantityError::UnknownUnit {
        text: text.to_owned(),
        unit: name.clone(),
        kind: kind.as_str(),
        units: kind.symbols(),
    })?;
    let si = unit.to_si(x);
    if kind.holds(si) { Ok((si, unit)) } else { Err(out_of_range()) }
}

/// The number with the US and the SI unit: `12 in or 12 mm`.
fn examples(kind: Dimension, number: &str) -> String {
    let with = |system| format!("{number} {}", kind.shown_in(system).symbol);
    format!("{} or {}", with(UnitSystem::Us), with(UnitSystem::Si))
}

/// Where the unit begins: the first character that can't be part of a number.
fn unit_start(text: &str) -> usize {
    let bytes = text.as_bytes();
    let exponent = |i: usize| {
        matches!(bytes[i], b'e' | b'E')
            && i > 0
            && bytes[i - 1].is_ascii_digit()
            && bytes.get(i + 1).is_some_and(|b| b.is_ascii_digit() || matches!(b, b'+' | b'-'))
    };
    text.char_indices()
        .find(|&(i, c)| {
            !(c.is_ascii_digit() || number::mark(c).is_some() || "+-\u{2212}/\t".contains(c) || exponent(i))
        })
        .map_or(text.len(), |(i, _)| i)
}

/// A unit's name in the form in which names are compared.
fn plain(name: &str) -> String {
    name.chars()
        .filter(|c| !c.is_whitespace() && *c != '°')
        .map(|c| match c {
            '·' | '⋅' | '*' => '.',
            '²' => '2',
            '³' => '3',
            '″' => '"',
            c => c.to_ascii_lowercase(),
        })
        .collect()
}

/// `6 1/2`, `6-1/2` or `3/4`.
fn fraction(number: &str) -> Option<f64> {
    let (above, below) = number.split_once('/')?;
    let (whole, above) = above.trim().rsplit_once([' ', '-']).unwrap_or(("0", above.trim()));
    let [whole, above, below] = [whole, above, below].map(|p| p.trim().parse::<u32>().ok());
    let (whole, above, below) = (whole?, above?, below.filter(|b| *b > 0)?);
    Some(f64::from(whole) + f64::from(above) / f64::from(below))
}

/// One type a kind of quantity: holds the SI value, reads and shows itself.
macro_rules! kinds {
    ($($(#[$doc:meta])* $name:ident, $kind:ident;)*) => {$(
        $(#[$doc])*
        #[derive(Debug, Clone, Copy, PartialEq, PartialOrd)]
        pub struct $name(pub f64);

        impl std::str::FromStr for $name {
            type Err = QuantityError;

            fn from_str(text: &str) -> Result<Self, QuantityError> {
                parse_quantity(text, Dimension::$kind).map(|(si, _)| Self(si))
            }
        }
    )*};
}

kinds! {
    /// A length in m.
    Metre, Length;
    /// A pressure in Pa, gauge as a rig's gauges show it.
    Pascal, Pressure;
    /// A mud weight in kg/m3.
    KgPerM3, Density;
    /// A force in N.
    Newton, Force;
    /// A volume in m3.
    CubicMetre, Volume;
}

#[cfg(test)]
#[path = "quantity_tests.rs"]
mod tests;
