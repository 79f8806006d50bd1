//! The figures of a pump in one table: output, flow, power, rod load, pressure at another rate or mud weight, ripple, strokes and time
//! for a volume.

use std::f64::consts::TAU;

use serde::Serialize;

use super::{
    Action, FluidEnd, PumpError, fraction, hydraulic_power_w, positive, pressure_at_pa, rated_pressure_pa, rod_load_n,
    strokes_for_volume,
};

/// What the table is made from, SI.
#[derive(Debug, Clone, PartialEq)]
pub struct FiguresInput {
    /// Cylinders: 3 for a triplex.
    pub cylinders: u32,
    /// Stroke length in m.
    pub stroke_m: f64,
    /// Bores of the liners to compare, m.
    pub bores_m: Vec<f64>,
    /// Single- or double-acting.
    pub action: Action,
    /// Volumetric efficiency, 0 to 1.
    pub efficiency: f64,
    /// Strokes a minute, where flow and power are wanted.
    pub spm: Option<f64>,
    /// Discharge pressure in Pa, where power and rod load are wanted.
    pub pressure_pa: Option<f64>,
    /// Other strokes a minute at which the pressure is wanted.
    pub to_spm: Option<f64>,
    /// Mud weight now and the one at which the pressure is wanted, kg/m3.
    pub muds_kg_per_m3: Option<[f64; 2]>,
    /// Rod load of the frame from its plate in N, where ratings are wanted.
    pub rod_load_n: Option<f64>,
    /// Limit of the fluid end itself in Pa, from its plate: no liner is rated above it.
    pub fluid_end_pa: Option<f64>,
    /// Length of the connecting rod over the crank radius, where the ripple is wanted.
    pub rod_over_crank: Option<f64>,
    /// A volume in m3, where strokes and time are wanted.
    pub volume_m3: Option<f64>,
}

/// One liner of the table.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct LinerFigures {
    /// Bore in m.
    pub bore_m: f64,
    /// Output a stroke at 100 %, m3.
    pub displacement_m3: f64,
    /// Output a stroke at the efficiency given, m3.
    pub output_m3: f64,
    /// Flow in m3/s.
    pub flow_m3_per_s: Option<f64>,
    /// Hydraulic power in W at the pressure given.
    pub power_w: Option<f64>,
    /// Load in N that the pressure given puts on a rod.
    pub rod_load_n: Option<f64>,
    /// Pressure that the rod load allows, Pa, at most that of the fluid end.
    pub rated_pa: Option<f64>,
    /// Whether the fluid end, not the rod load, sets that pressure.
    pub rated_by_fluid_end: bool,
    /// Whether the pressure given is above the rating.
    pub above_rating: bool,
    /// Whether the pressure at the other rate or mud weight is.
    pub new_above_rating: bool,
    /// Strokes for the volume.
    pub strokes: Option<f64>,
    /// Time for the volume in s.
    pub time_s: Option<f64>,
}

/// The whole table.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Figures {
    /// A line a liner, in the order given.
    pub liners: Vec<LinerFigures>,
    /// Pressure in Pa at the other rate or mud weight.
    pub new_pressure_pa: Option<f64>,
    /// Highest and lowest flow over the mean, less one: `[0.06, -0.17]` for a triplex.
    pub ripple: Option<[f64; 2]>,
}

/// Works the table out.
///
/// # Formula
/// Output `N (pi/4) D^2 L x efficiency` (see [`FluidEnd::displacement_m3`]); flow = output x SPM; power = P q; rating = rod load over
/// `(pi/4) D^2`, at most the fluid end's own; time = volume over flow; pressure at another rate or mud weight
/// `P2 = P1 (SPM2 / SPM1)^2 (MW2 / MW1)`.
///
/// # Errors
/// [`PumpError`] for a size, speed, pressure or mud weight that is not above zero, or an efficiency outside 0..=1.
pub fn figures(input: &FiguresInput) -> Result<Figures, PumpError> {
    let optional = |what, x: Option<f64>| x.map(|x| positive(what, x)).transpose();
    positive("volumetric efficiency", fraction("volumetric efficiency", input.efficiency)?)?;
    let spm = optional("strokes a minute", input.spm)?;
    let pressure = optional("pressure", input.pressure_pa)?;
    let rod_load = optional("rod load", input.rod_load_n)?;
    let fluid_end_pa = optional("pressure of the fluid end", input.fluid_end_pa)?;
    let volume = optional("volume", input.volume_m3)?;
    let rates = spm.zip(input.to_spm).map(<[f64; 2]>::from);
    let new_pressure_pa = match (pressure, rates, input.muds_kg_per_m3) {
        (Some(p), rates, muds) if rates.is_some() || muds.is_some() => {
            Some(pressure_at_pa(p, rates.unwrap_or([1.0; 2]), muds.unwrap_or([1.0; 2]))?)
        }
        _ => None,
    };
    let liner = |&bore_m: &f64| {
        let fluid_end = FluidEnd::new(input.cylinders, bore_m, input.stroke_m, input.action)?;
        let output_m3 = fluid_end.output_m3(input.efficiency)?;
        let flow_m3_per_s = spm.map(|spm| fluid_end.flow_m3_per_s(spm, input.efficiency)).transpose()?;
        let by_rods = rod_load.map(|load| rated_pressure_pa(load, bore_m)).transpose()?;
        let rated_pa = match (by_rods, fluid_end_pa) {
            (Some(rods), Some(end)) => Some(rods.min(end)),
            // Without the rod load the liner's own rating is not known: the fluid end's alone would be a made-up liner limit.
            (rods, _) => rods,
        };
        Ok(LinerFigures {
            bore_m,
            displacement_m3: fluid_end.displacement_m3(),
            output_m3,
            flow_m3_per_s,
            power_w: pressure.zip(flow_m3_per_s).map(|(p, q)| hydraulic_power_w(p, q)),
            rod_load_n: pressure.map(|p| rod_load_n(p, bore_m)),
            rated_pa,
            rated_by_fluid_end: by_rods.zip(fluid_end_pa).is_some_and(|(rods, end)| end < rods),
            above_rating: pressure.zip(rated_pa).is_some_and(|(p, rated)| p > rated),
            new_above_rating: new_pressure_pa.zip(rated_pa).is_some_and(|(p, rated)| p > rated),
            strokes: volume.map(|v| strokes_for_volume(v, output_m3)).transpose()?,
            time_s: volume.zip(flow_m3_per_s).map(|(v, q)| v / q),
        })
    };
    let liners = input.bores_m.iter().map(liner).collect::<Result<Vec<_>, PumpError>>()?;
    let single = input.action == Action::Single;
    let ratio = input.rod_over_crank.filter(|_| single);
    let ripple = ratio.map(|ratio| flow_ripple(input.cylinders, ratio)).transpose()?;
    Ok(Figures { liners, new_pressure_pa, ripple })
}

/// Highest and lowest flow of `cylinders` single-acting pistons spread evenly over the turn, over the mean, less one: without valve lag,
/// slip or compression.
///
/// # Formula
/// Piston speed `r (sin theta + sin theta cos theta / sqrt(lambda^2 - sin^2 theta))`, `lambda` = rod over crank; in steps that fall on
/// every dead centre, where the flow has its kinks.
fn flow_ripple(cylinders: u32, rod_over_crank: f64) -> Result<[f64; 2], PumpError> {
    const STEPS_PER_KINK: u32 = 2000;
    if cylinders == 0 {
        return Err(PumpError::NoCylinders);
    }
    if rod_over_crank.is_nan() || rod_over_crank <= 1.0 {
        return Err(PumpError::RodTooShort { ratio: rod_over_crank });
    }
    let n = f64::from(cylinders);
    let speed = |theta: f64| {
        let (sin, cos) = theta.sin_cos();
        sin + sin * cos / (rod_over_crank * rod_over_crank - sin * sin).sqrt()
    };
    // Pistons are alike, so the pattern repeats n times a turn: one n-th of a turn holds two kinks at most.
    let flow = |step: u32| {
        let turn = f64::from(step) / f64::from(2 * STEPS_PER_KINK) / n;
        (0..cylinders).map(|k| speed(TAU * (turn + f64::from(k) / n)).max(0.0)).sum::<f64>()
    };
    let (low, high) = (0..2 * STEPS_PER_KINK)
        .map(flow)
        .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), q| (low.min(q), high.max(q)));
    let mean = 2.0 * n / TAU; // n strokes of two radii a turn of 2 pi
    Ok([high / mean - 1.0, low / mean - 1.0])
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::{M_PER_IN, N_PER_LBF, psi_to_pa};

    fn triplex() -> FiguresInput {
        FiguresInput {
            cylinders: 3,
            stroke_m: 12.0 * M_PER_IN,
            bores_m: [7.0, 6.5, 6.0, 5.5, 5.0].map(|x| x * M_PER_IN).to_vec(),
            action: Action::Single,
            efficiency: 1.0,
            spm: Some(120.0),
            pressure_pa: None,
            to_spm: None,
            muds_kg_per_m3: None,
            rod_load_n: None,
            fluid_end_pa: None,
            rod_over_crank: Some(6.0),
            volume_m3: None,
        }
    }

    #[test]
    fn what_the_rods_do_not_allow_is_said_now_and_then() {
        let input = FiguresInput {
            rod_load_n: Some(123_100.0 * N_PER_LBF),
            fluid_end_pa: Some(psi_to_pa(5555.0)),
            ..triplex()
        };
        let table = figures(&input).unwrap();
        assert!(table.liners[4].rated_by_fluid_end && !table.liners[3].rated_by_fluid_end);
        let none = figures(&FiguresInput { rod_load_n: None, ..input.clone() }).unwrap();
        assert_eq!(none.liners[0].rated_pa, None, "no rod load entered: no rating is made up");
        let run = FiguresInput { pressure_pa: Some(psi_to_pa(4000.0)), to_spm: Some(130.0), ..input };
        let above = |of: &dyn Fn(&LinerFigures) -> bool| -> Vec<bool> {
            figures(&run).unwrap().liners.iter().map(of).collect()
        };
        assert_eq!(above(&|l| l.above_rating), [true, true, false, false, false]);
        // 4000 psi (130 / 120)^2 is 4694 psi, above what the rods allow with 6 in.
        assert_eq!(above(&|l| l.new_above_rating), [true, true, true, false, false]);
    }

    #[test]
    fn the_other_pressure_needs_one_to_start_from() {
        let then = |pressure_pa, spm, to_spm, muds_kg_per_m3| {
            figures(&FiguresInput { pressure_pa, spm, to_spm, muds_kg_per_m3, ..triplex() }).unwrap().new_pressure_pa
        };
        assert_eq!(then(Some(1e7), Some(60.0), None, None), None);
        assert_eq!(then(None, Some(60.0), Some(30.0), Some([1.0, 2.0])), None);
        assert_eq!(then(Some(1e7), Some(60.0), Some(30.0), None), Some(2.5e6));
        assert_eq!(then(Some(1e7), None, Some(30.0), Some([1.0, 2.0])), Some(2e7));
        assert_eq!(then(Some(1e7), Some(60.0), Some(30.0), Some([1.0, 2.0])), Some(5e6));
    }

    #[test]
    fn what_cannot_be_is_refused() {
        for wrong in [
            FiguresInput { efficiency: 95.0, ..triplex() },
            FiguresInput { efficiency: 0.0, ..triplex() },
            FiguresInput { spm: Some(0.0), ..triplex() },
            FiguresInput { bores_m: vec![-1.0], ..triplex() },
            FiguresInput { volume_m3: Some(f64::NAN), ..triplex() },
            FiguresInput { rod_load_n: Some(-5.0), ..triplex() },
            FiguresInput { pressure_pa: Some(1e7), to_spm: Some(0.0), ..triplex() },
            FiguresInput { pressure_pa: Some(1e7), muds_kg_per_m3: Some([0.0, 1200.0]), ..triplex() },
            FiguresInput { rod_over_crank: Some(1.0), ..triplex() },
            FiguresInput { rod_over_crank: Some(f64::NAN), ..triplex() },
        ] {
            assert!(figures(&wrong).is_err(), "{wrong:?}");
        }
    }
}
