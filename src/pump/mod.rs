//! Pump data and arithmetic: output, liner rating, kinematics, firing order, gauge cross-checks.
//!
//! SI in, SI out (conversions in [`crate::units`]); crank angles in degrees with 0 at the start of the module's own discharge
//! stroke. Nothing here is a maker's limit: ratings come from the pump's own plate.

mod figures;
mod fluid_end;
mod hydraulics;
mod kinematics;
mod liners;
mod order;

pub use figures::{Figures, FiguresInput, LinerFigures, figures};
pub use fluid_end::{Action, FluidEnd, circle_area_m2, rated_pressure_pa, rod_load_n, strokes_for_volume};
pub use hydraulics::{
    ATMOSPHERE_PA, acceleration_head_m, hydraulic_power_w, jet_speed_m_per_s, leak_m3_per_s, measured_exponent,
    precharge_at_temperature_pa, pressure_at_mud_weight_pa, pressure_at_rate_pa, volumetric_efficiency,
};
pub use kinematics::{Ripple, SliderCrank, flow_ripple};
pub use liners::{LinerCheck, LinerRating, LinerState, check_liners};
pub use order::{OrderError, module_offset_deg, own_angle_deg, parse_order};

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
    /// Two readings at one rate have no exponent.
    #[error("both readings are at the same rate; an exponent needs two different rates")]
    SameRate,
}

/// `got` if it is a finite number above zero.
fn positive(what: &'static str, got: f64) -> Result<f64, PumpError> {
    if got > 0.0 && got.is_finite() { Ok(got) } else { Err(PumpError::NotPositive { what, got }) }
}

/// `got` if it lies within 0..=1.
fn fraction(what: &'static str, got: f64) -> Result<f64, PumpError> {
    if (0.0..=1.0).contains(&got) { Ok(got) } else { Err(PumpError::NotAFraction { what, got }) }
}
