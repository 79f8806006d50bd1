//! Pump data and arithmetic: output, liner rating, ripple, firing order, gauge cross-checks.
//!
//! SI in, SI out (conversions in [`crate::units`]); crank angles in degrees with 0 at the start of the module's own discharge
//! stroke. Nothing here is a maker's limit: ratings come from the pump's own plate.

mod figures;
mod fluid_end;
mod hydraulics;
mod liners;
mod order;

pub use figures::{Figures, FiguresInput, LinerFigures, figures};
pub use fluid_end::{Action, FluidEnd, rated_pressure_pa};
use fluid_end::{rod_load_n, strokes_for_volume};
pub use hydraulics::{ATMOSPHERE_PA, precharge_at_temperature_pa, volumetric_efficiency};
use hydraulics::{hydraulic_power_w, pressure_at_pa};
pub use liners::{LinerRating, LinerState, check_liners};
pub use order::{module_offset_deg, parse_order};

/// Why a pump figure can't be worked out.
#[derive(Debug, Clone, thiserror::Error, PartialEq)]
#[non_exhaustive]
pub enum PumpError {
    /// A quantity that has to be above zero is not.
    #[error("{what} is {got}; it has to be a number above zero")]
    NotPositive {
        /// The quantity.
        what: &'static str,
        /// What was given.
        got: f64,
    },
    /// A fraction outside its range.
    #[error("{what} is {got}; it has to lie between 0 and 1")]
    NotAFraction {
        /// The quantity.
        what: &'static str,
        /// What was given.
        got: f64,
    },
    /// The rod of a double-acting pump fills its liner.
    #[error("rod diameter {rod_m} m is not smaller than the bore {bore_m} m")]
    RodTooThick {
        /// Rod diameter in m.
        rod_m: f64,
        /// Bore in m.
        bore_m: f64,
    },
    /// The connecting rod is shorter than the crank.
    #[error("connecting rod is {ratio} crank radii long; it has to be longer than the crank (above 1, usually 4 to 8)")]
    RodTooShort {
        /// Rod length over crank radius.
        ratio: f64,
    },
    /// Fewer cylinders than one.
    #[error("a pump has at least one cylinder")]
    NoCylinders,
}

/// `got` if it is a finite number above zero.
fn positive(what: &'static str, got: f64) -> Result<f64, PumpError> {
    if got > 0.0 && got.is_finite() { Ok(got) } else { Err(PumpError::NotPositive { what, got }) }
}

/// `got` if it lies within 0..=1.
fn fraction(what: &'static str, got: f64) -> Result<f64, PumpError> {
    if (0.0..=1.0).contains(&got) { Ok(got) } else { Err(PumpError::NotAFraction { what, got }) }
}
