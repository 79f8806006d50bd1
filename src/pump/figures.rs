//! The figures of a pump in one table: output, flow, power, rod load, ripple, strokes and time for a volume.

use serde::Serialize;

use super::{
    Action, FluidEnd, PumpError, flow_ripple, fraction, hydraulic_power_w, positive, rated_pressure_pa, rod_load_n,
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
    /// Highest and lowest flow over the mean, less one: `[0.06, -0.17]` for a triplex.
    pub ripple: Option<[f64; 2]>,
}

/// Works the table out.
///
/// # Formula
/// Output `N (pi/4) D^2 L x efficiency` (see [`FluidEnd::displacement_m3`]); flow = output x SPM; power = P q; rating = rod load over
/// `(pi/4) D^2`, at most the fluid end's own; time = volume over flow.
///
/// # Errors
/// [`PumpError`] for a size, speed or pressure that is not above zero, or an efficiency outside 0..=1.
pub fn figures(input: &FiguresInput) -> Result<Figures, PumpError> {
    let optional = |what, x: Option<f64>| x.map(|x| positive(what, x)).transpose();
    positive("volumetric efficiency", fraction("volumetric efficiency", input.efficiency)?)?;
    let spm = optional("strokes a minute", input.spm)?;
    let pressure = optional("pressure", input.pressure_pa)?;
    let rod_load = optional("rod load", input.rod_load_n)?;
    let fluid_end_pa = optional("pressure of the fluid end", input.fluid_end_pa)?;
    let volume = optional("volume", input.volume_m3)?;
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
            strokes: volume.map(|v| strokes_for_volume(v, output_m3)).transpose()?,
            time_s: volume.zip(flow_m3_per_s).map(|(v, q)| v / q),
        })
    };
    let liners = input.bores_m.iter().map(liner).collect::<Result<Vec<_>, PumpError>>()?;
    let single = input.action == Action::Single;
    let ratio = input.rod_over_crank.filter(|_| single);
    let ripple = ratio.map(|ratio| flow_ripple(input.cylinders, ratio)).transpose()?;
    Ok(Figures { liners, ripple: ripple.map(|r| [r.above, r.below]) })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::{
        bbl_to_m3, gpm_to_m3_per_s, in_to_m, lbf_to_n, m3_per_s_to_gpm, m3_to_bbl, n_to_lbf, pa_to_psi, psi_to_pa,
        w_to_hp,
    };

    fn triplex() -> FiguresInput {
        FiguresInput {
            cylinders: 3,
            stroke_m: in_to_m(12.0),
            bores_m: [7.0, 6.5, 6.0, 5.5, 5.0].map(in_to_m).to_vec(),
            action: Action::Single,
            efficiency: 1.0,
            spm: Some(120.0),
            pressure_pa: None,
            rod_load_n: None,
            fluid_end_pa: None,
            rod_over_crank: Some(6.0),
            volume_m3: None,
        }
    }

    fn near(got: f64, want: f64, tolerance: f64) {
        assert!((got - want).abs() <= tolerance, "got {got}, want {want}");
    }

    #[test]
    fn the_table_gives_the_handbook_figures() {
        // P3, P6 of CHECKS.md: the handbook's constant 0.000243 rounds 0.000242857 (its exact values: 0.142800 and 0.104914).
        let table = figures(&triplex()).unwrap();
        near(m3_to_bbl(table.liners[0].displacement_m3) * 0.000_243 / 0.000_242_857_1, 0.142_884, 1e-6);
        near(m3_to_bbl(table.liners[2].displacement_m3) * 0.000_243 / 0.000_242_857_1, 0.104_976, 1e-6);
        // P26: flow computed.
        for (liner, gpm) in table.liners.iter().zip([719.7, 620.6, 528.8, 444.3, 367.2]) {
            near(m3_per_s_to_gpm(liner.flow_m3_per_s.unwrap()), gpm, 0.05);
        }
        // K10: the published +6.1 / -16.9 % (citation from memory).
        let [above, below] = table.ripple.unwrap();
        near(100.0 * above, 6.165, 1e-3);
        near(100.0 * below, -16.948, 1e-3);
        // P4: handbook, 95 %.
        let at_95 = figures(&FiguresInput { efficiency: 0.95, ..triplex() }).unwrap();
        near(m3_to_bbl(at_95.liners[0].output_m3) * 0.000_243 / 0.000_242_857_1, 0.135_74, 5e-6);
        // P5, trap T2: the gallon constant 0.00411 hides 95 %, the true flow at 80 spm and 100 % is 479.81 gpm.
        let at_80 = figures(&FiguresInput { spm: Some(80.0), ..triplex() }).unwrap();
        near(m3_per_s_to_gpm(at_80.liners[0].flow_m3_per_s.unwrap()), 479.81, 0.005);
    }

    #[test]
    fn ratings_follow_the_rods_down_to_the_fluid_ends_own() {
        // P26 of CHECKS.md: ratings from memory of one class, rod load computed from them; never shipped as a limit.
        let input =
            FiguresInput { rod_load_n: Some(lbf_to_n(123_100.0)), fluid_end_pa: Some(psi_to_pa(5555.0)), ..triplex() };
        let table = figures(&input).unwrap();
        for (liner, psi) in table.liners.iter().zip([3200.0, 3710.0, 4355.0, 5180.0, 5555.0]) {
            near(pa_to_psi(liner.rated_pa.unwrap()), psi, 3.0);
        }
        assert!(table.liners[4].rated_by_fluid_end && !table.liners[3].rated_by_fluid_end);
        let none = figures(&FiguresInput { fluid_end_pa: Some(psi_to_pa(5555.0)), ..triplex() }).unwrap();
        assert_eq!(none.liners[0].rated_pa, None, "no rod load entered: no rating is made up");
        let run = figures(&FiguresInput { pressure_pa: Some(psi_to_pa(4000.0)), ..input }).unwrap();
        let above: Vec<bool> = run.liners.iter().map(|l| l.above_rating).collect();
        assert_eq!(above, [true, true, false, false, false]);
        near(n_to_lbf(run.liners[2].rod_load_n.unwrap()), 4000.0 * std::f64::consts::PI * 9.0, 1e-3);
    }

    #[test]
    fn power_strokes_and_time() {
        // P11: drillingformulas.com, 3500 psi and 800 gpm are 1633.6 hp with 1714 (1714.286 exact).
        let spm = 800.0 / m3_per_s_to_gpm(figures(&triplex()).unwrap().liners[2].flow_m3_per_s.unwrap()) * 120.0;
        let input = FiguresInput { spm: Some(spm), pressure_pa: Some(psi_to_pa(3500.0)), ..triplex() };
        near(w_to_hp(figures(&input).unwrap().liners[2].power_w.unwrap()) * 1714.286 / 1714.0, 1633.6, 0.05);
        // Strokes and time for 100 bbl are the volume over the output and over the flow.
        let input = FiguresInput { volume_m3: Some(bbl_to_m3(100.0)), spm: Some(60.0), efficiency: 0.97, ..triplex() };
        let six = figures(&input).unwrap().liners[2];
        near(six.strokes.unwrap(), 100.0 / (0.104_914 * 0.97), 0.05);
        near(six.time_s.unwrap(), six.strokes.unwrap(), 1e-6);
        near(gpm_to_m3_per_s(4200.0) * six.time_s.unwrap(), 42.0 * gpm_to_m3_per_s(100.0) * six.strokes.unwrap(), 1e-9);
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
        ] {
            assert!(figures(&wrong).is_err(), "{wrong:?}");
        }
    }
}
