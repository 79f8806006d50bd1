//! Slider-crank motion of a piston, and the ripple of the flow of several.

use std::f64::consts::TAU;

use super::{PumpError, positive};
use crate::units::spm_to_rad_per_s;

/// Crank and connecting rod of one module.
///
/// Crank angle 0 is the start of the module's own discharge stroke (piston at the crank end), 180 the start of its suction stroke
/// (piston at the fluid end). Textbooks count `theta` from the fluid end: `theta = angle - 180`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SliderCrank {
    radius_m: f64,
    ratio: f64,
}

impl SliderCrank {
    /// A crank that makes a stroke of `stroke_m` (twice its radius), with a rod of `rod_over_crank` crank radii, which may be infinite.
    ///
    /// # Errors
    /// [`PumpError`] when the stroke is not above zero or the rod not longer than the crank.
    pub fn new(stroke_m: f64, rod_over_crank: f64) -> Result<Self, PumpError> {
        positive("stroke length", stroke_m)?;
        if rod_over_crank > 1.0 {
            Ok(Self { radius_m: 0.5 * stroke_m, ratio: rod_over_crank })
        } else {
            Err(PumpError::RodTooShort { ratio: rod_over_crank })
        }
    }

    /// How far the piston stands back from its fluid-end dead centre, in m: the stroke at 0 degrees, 0 at 180.
    ///
    /// # Formula
    /// `r (1 - cos theta) + l - sqrt(l^2 - r^2 sin^2 theta)`, the last two terms written as one fraction to keep their digits.
    #[must_use]
    pub fn drawn_back_m(&self, crank_angle_deg: f64) -> f64 {
        let (sin, cos) = (crank_angle_deg - 180.0).to_radians().sin_cos();
        let obliquity = sin * sin / (self.ratio + (self.ratio * self.ratio - sin * sin).sqrt());
        self.radius_m * (1.0 - cos + obliquity)
    }

    /// Speed of the piston towards the fluid end in m/s: above zero in the discharge half, below zero in the suction half.
    ///
    /// # Formula
    /// `-omega r (sin theta + sin theta cos theta / sqrt(lambda^2 - sin^2 theta))`, `lambda = l / r`.
    #[must_use]
    pub fn forward_speed_m_per_s(&self, crank_angle_deg: f64, spm: f64) -> f64 {
        -spm_to_rad_per_s(spm) * self.radius_m * unit_speed((crank_angle_deg - 180.0).to_radians(), self.ratio)
    }
}

/// `dx / d theta` for a crank radius of 1.
fn unit_speed(theta: f64, ratio: f64) -> f64 {
    let (sin, cos) = theta.sin_cos();
    sin + sin * cos / (ratio * ratio - sin * sin).sqrt()
}

/// How far the flow of a pump swings about its mean, as fractions of the mean.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Ripple {
    /// Highest flow over the mean, less one.
    pub above: f64,
    /// Lowest flow over the mean, less one: below zero.
    pub below: f64,
}

/// Flow ripple of `cylinders` single-acting pistons spread evenly over the turn, without valve lag, slip or compression.
///
/// Computed over the turn in steps that fall on every dead centre, where the flow has its kinks.
///
/// # Errors
/// [`PumpError`] when there are no cylinders or when the rod is not longer than the crank.
///
/// # Examples
/// ```
/// let ripple = seatsong::pump::flow_ripple(3, 6.0)?; // the "+6.1 / -16.9 %" of a triplex
/// assert!((ripple.above - 0.06165).abs() < 1e-5 && (ripple.below + 0.16948).abs() < 1e-5);
/// # Ok::<(), seatsong::pump::PumpError>(())
/// ```
pub fn flow_ripple(cylinders: u32, rod_over_crank: f64) -> Result<Ripple, PumpError> {
    const STEPS_PER_KINK: u32 = 2000;
    if cylinders == 0 {
        return Err(PumpError::NoCylinders);
    }
    if rod_over_crank.is_nan() || rod_over_crank <= 1.0 {
        return Err(PumpError::RodTooShort { ratio: rod_over_crank });
    }
    let n = f64::from(cylinders);
    // Pistons are alike, so the pattern repeats n times a turn: one n-th of a turn holds two kinks at most.
    let flow = |step: u32| {
        let turn = f64::from(step) / f64::from(2 * STEPS_PER_KINK) / n;
        (0..cylinders).map(|k| unit_speed(TAU * (turn + f64::from(k) / n), rod_over_crank).max(0.0)).sum::<f64>()
    };
    let (low, high) = (0..2 * STEPS_PER_KINK)
        .map(flow)
        .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), q| (low.min(q), high.max(q)));
    let mean = 2.0 * n / TAU; // n strokes of two radii a turn of 2 pi
    Ok(Ripple { above: high / mean - 1.0, below: low / mean - 1.0 })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn speed_is_the_slope_of_the_position() {
        let crank = SliderCrank::new(0.3, 5.5).unwrap();
        let (spm, h) = (72.0, 1e-4);
        for tenth in 0..3600 {
            let angle = f64::from(tenth) * 0.1;
            let forward = crank.drawn_back_m(angle - h) - crank.drawn_back_m(angle + h);
            let slope = forward / (2.0 * h) * (6.0 * spm);
            assert!((slope - crank.forward_speed_m_per_s(angle, spm)).abs() < 1e-7, "{angle}");
        }
    }

    #[test]
    fn discharge_runs_forward_and_suction_back() {
        let crank = SliderCrank::new(0.3, 6.0).unwrap();
        for angle in 1..180 {
            assert!(crank.forward_speed_m_per_s(f64::from(angle), 60.0) > 0.0);
            assert!(crank.forward_speed_m_per_s(f64::from(angle) + 180.0, 60.0) < 0.0);
        }
        assert!((crank.drawn_back_m(0.0) - 0.3).abs() < 1e-15 && crank.drawn_back_m(180.0).abs() < 1e-15);
    }

    #[test]
    fn rods_that_cannot_turn_are_refused() {
        assert!(SliderCrank::new(0.3, 1.0).is_err());
        assert!(SliderCrank::new(0.3, f64::NAN).is_err());
        assert!(SliderCrank::new(0.0, 6.0).is_err());
        assert!(SliderCrank::new(0.3, f64::INFINITY).unwrap().drawn_back_m(90.0) - 0.15 < 1e-12);
        assert_eq!(flow_ripple(0, 6.0), Err(PumpError::NoCylinders));
        assert!(flow_ripple(3, 0.5).is_err());
    }
}
