//! What a pump moves in a stroke, and what its rods may carry.

use super::{PumpError, fraction, positive};
use crate::units::spm_to_hz;

/// Area of a circle, `pi/4 d^2`, in m2.
fn circle_area_m2(diameter_m: f64) -> f64 {
    std::f64::consts::FRAC_PI_4 * diameter_m * diameter_m
}

/// On which sides a piston pumps.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Action {
    /// One side: one discharge a turn and cylinder.
    Single,
    /// Both sides, the rod taking up part of the second.
    Double {
        /// Rod diameter in m.
        rod_m: f64,
    },
}

/// The sizes that settle what a pump moves in a stroke.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FluidEnd {
    cylinders: u32,
    bore_m: f64,
    stroke_m: f64,
    action: Action,
}

impl FluidEnd {
    /// A fluid end of `cylinders` liners of `bore_m`, stroke `stroke_m`, both in m.
    ///
    /// # Errors
    /// [`PumpError`] when a size is not above zero, or when the rod is not thinner than the bore.
    pub fn new(cylinders: u32, bore_m: f64, stroke_m: f64, action: Action) -> Result<Self, PumpError> {
        if cylinders == 0 {
            return Err(PumpError::NoCylinders);
        }
        positive("bore", bore_m)?;
        positive("stroke length", stroke_m)?;
        if let Action::Double { rod_m } = action {
            positive("rod diameter", rod_m)?;
            if rod_m >= bore_m {
                return Err(PumpError::RodTooThick { rod_m, bore_m });
            }
        }
        Ok(Self { cylinders, bore_m, stroke_m, action })
    }

    /// Output of the whole pump a stroke (one crank turn) at 100 %, in m3.
    ///
    /// # Formula
    /// Single-acting `N (pi/4) D^2 L`; double-acting `N (pi/4) (2 D^2 - d^2) L`. Handbook constants such as 0.000243 bbl/in3 already
    /// hold the three cylinders of a triplex; and 0.00411 in the gallon form hides 95 % efficiency (exact: 1/231).
    #[must_use]
    pub fn displacement_m3(&self) -> f64 {
        let area = match self.action {
            Action::Single => circle_area_m2(self.bore_m),
            Action::Double { rod_m } => 2.0 * circle_area_m2(self.bore_m) - circle_area_m2(rod_m),
        };
        f64::from(self.cylinders) * area * self.stroke_m
    }

    /// Output of the whole pump a stroke, in m3, at a volumetric efficiency of 0 to 1.
    ///
    /// # Errors
    /// [`PumpError::NotAFraction`] when the efficiency lies outside 0..=1 (95 % is 0.95).
    pub fn output_m3(&self, efficiency: f64) -> Result<f64, PumpError> {
        Ok(self.displacement_m3() * fraction("volumetric efficiency", efficiency)?)
    }

    /// Flow in m3/s at `spm` strokes a minute.
    ///
    /// # Errors
    /// As [`FluidEnd::output_m3`].
    pub fn flow_m3_per_s(&self, spm: f64, efficiency: f64) -> Result<f64, PumpError> {
        Ok(self.output_m3(efficiency)? * spm_to_hz(spm))
    }
}

/// Strokes that move `volume_m3` at an output of `output_m3` a stroke.
///
/// # Errors
/// [`PumpError::NotPositive`] when the output is not above zero.
pub fn strokes_for_volume(volume_m3: f64, output_m3: f64) -> Result<f64, PumpError> {
    Ok(volume_m3 / positive("output a stroke", output_m3)?)
}

/// Pressure in Pa that puts `rod_load_n` on the rod of a piston of `bore_m`: `F / (pi/4 D^2)`.
///
/// The plate of the pump decides: below some bore the fluid end itself sets the limit, and pumps of one class differ in rod load.
///
/// # Errors
/// [`PumpError::NotPositive`] when the bore or the rod load is not above zero.
pub fn rated_pressure_pa(rod_load_n: f64, bore_m: f64) -> Result<f64, PumpError> {
    Ok(positive("rod load", rod_load_n)? / circle_area_m2(positive("bore", bore_m)?))
}

/// Rod load in N of `pressure_pa` on a piston of `bore_m`: `P (pi/4) D^2`.
#[must_use]
pub fn rod_load_n(pressure_pa: f64, bore_m: f64) -> f64 {
    pressure_pa * circle_area_m2(bore_m)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sizes_that_cannot_be_are_refused() {
        assert_eq!(FluidEnd::new(0, 0.15, 0.3, Action::Single), Err(PumpError::NoCylinders));
        assert!(matches!(FluidEnd::new(3, f64::NAN, 0.3, Action::Single), Err(PumpError::NotPositive { .. })));
        assert!(matches!(FluidEnd::new(3, 0.15, -0.3, Action::Single), Err(PumpError::NotPositive { .. })));
        let thick = FluidEnd::new(2, 0.15, 0.3, Action::Double { rod_m: 0.2 });
        assert_eq!(thick, Err(PumpError::RodTooThick { rod_m: 0.2, bore_m: 0.15 }));
        let triplex = FluidEnd::new(3, 0.15, 0.3, Action::Single).unwrap();
        assert!(triplex.output_m3(95.0).is_err(), "per cent instead of a fraction");
        assert!(strokes_for_volume(1.0, 0.0).is_err());
        assert!(rated_pressure_pa(5e5, 0.0).is_err());
    }

    #[test]
    fn rating_and_rod_load_undo_each_other() {
        // Going from 6 to 5 in raises the rated pressure by (6/5)^2 = 1.44.
        let rise = rated_pressure_pa(5e5, 0.127).unwrap() / rated_pressure_pa(5e5, 0.1524).unwrap();
        assert!((rise - 1.44).abs() < 1e-12);
        assert!((rated_pressure_pa(rod_load_n(2e7, 0.15), 0.15).unwrap() - 2e7).abs() < 1e-6);
    }
}
