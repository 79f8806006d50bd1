//! `seatsong pump figures`: what a pump moves, and what its rods and liners carry, from plain arguments and without a book.

use std::process::ExitCode;
use std::str::FromStr as _;

use clap::Args;
use serde_json::{Value, json};

use super::{Io, Usage};
use crate::pump::{Action, Figures, FiguresInput, FluidEnd, LinerFigures, figures, volumetric_efficiency};
use crate::units::{
    CubicMetre, Dimension, KgPerM3, Metre, Newton, Pascal, QuantityError, UnitSystem, m3_per_s_to_gpm, m3_per_s_to_lpm,
    m3_to_bbl, number, parse_quantity, w_to_hp,
};

/// Work out output, flow, power, ratings, pressure at another rate or mud weight, ripple, strokes and time of a pump
#[derive(Debug, Clone, Args)]
#[command(after_help = "Examples:
  seatsong pump figures --liner 6in --liner 5.5in --stroke 12in --spm 100 --efficiency 97%
  seatsong pump figures --liner 6in --stroke 12in --rod-load 120000lbf --fluid-end-limit 5000psi
  seatsong pump figures --liner 160mm --stroke 305mm --spm 90 --pressure 210bar --volume 12m3
  seatsong pump figures --liner 6in --stroke 12in --spm 60 --pressure 1800psi --to-spm 30 --mud 10ppg --to-mud 12ppg

Ratings come from the pump's own plate: two pumps of one class may carry different rod loads. What is worked out here from a rod load is \
arithmetic; the plate of liner, fluid end, line and hose decides.")]
pub struct FiguresArgs {
    /// Bore of a liner, such as 6in or 160mm; may be repeated to compare liners
    #[arg(long = "liner", value_name = "BORE", required = true, value_parser = bore)]
    liners: Vec<Bore>,
    /// Stroke length, such as 12in
    #[arg(long, value_name = "LENGTH", value_parser = Metre::from_str)]
    stroke: Metre,
    /// Cylinders
    #[arg(long, value_name = "N", default_value_t = 3, value_parser = clap::value_parser!(u32).range(1..=20))]
    cylinders: u32,
    /// The pump is double-acting, with a piston rod of this diameter
    #[arg(long, value_name = "DIAMETER", value_parser = Metre::from_str)]
    double_acting: Option<Metre>,
    /// Volumetric efficiency, such as 97%; 100% when left out
    #[arg(long, value_name = "SHARE", value_parser = share, conflicts_with_all = ["tank", "tank_strokes"])]
    efficiency: Option<f64>,
    /// Volume that arrived in a tank test: gives the efficiency of the first liner
    #[arg(long, value_name = "VOLUME", value_parser = CubicMetre::from_str, requires = "tank_strokes")]
    tank: Option<CubicMetre>,
    /// Strokes of the tank test
    #[arg(long, value_name = "N", value_parser = number::typed, requires = "tank")]
    tank_strokes: Option<f64>,
    /// Strokes a minute: gives flow
    #[arg(long, value_name = "N", value_parser = number::typed)]
    spm: Option<f64>,
    /// Discharge pressure: gives power and rod load
    #[arg(long, value_name = "PRESSURE", value_parser = Pascal::from_str)]
    pressure: Option<Pascal>,
    /// Other strokes a minute: gives the pressure at that rate, by the square of the rates
    #[arg(long, value_name = "N", value_parser = number::typed, requires_all = ["spm", "pressure"])]
    to_spm: Option<f64>,
    /// Mud weight that the pressure belongs to, such as 10ppg
    #[arg(long, value_name = "DENSITY", value_parser = KgPerM3::from_str, requires_all = ["pressure", "to_mud"])]
    mud: Option<KgPerM3>,
    /// Other mud weight: gives the pressure with that mud
    #[arg(long, value_name = "DENSITY", value_parser = KgPerM3::from_str, requires = "mud")]
    to_mud: Option<KgPerM3>,
    /// Rod load from the pump's plate: gives the pressure that it allows with each liner
    #[arg(long, value_name = "FORCE", value_parser = Newton::from_str)]
    rod_load: Option<Newton>,
    /// Highest pressure of the fluid end from its plate: no liner is rated above it
    #[arg(long, value_name = "PRESSURE", value_parser = Pascal::from_str)]
    fluid_end_limit: Option<Pascal>,
    /// Length of the connecting rod over the crank radius: gives the ripple of the flow
    #[arg(long, value_name = "RATIO", value_parser = number::typed)]
    rod_ratio: Option<f64>,
    /// A volume: gives strokes and time, such as the string's contents or bottoms up
    #[arg(long, value_name = "VOLUME", value_parser = CubicMetre::from_str)]
    volume: Option<CubicMetre>,
    /// Units of the table: us or si; those of the first liner when left out
    #[arg(long, value_name = "US|SI", value_parser = UnitSystem::from_str)]
    units: Option<UnitSystem>,
    /// Print JSON (SI units) instead of a table
    #[arg(long)]
    json: bool,
}

/// A bore, and whether it was typed in inches or feet.
#[derive(Debug, Clone, Copy)]
struct Bore {
    m: f64,
    us: bool,
}

fn bore(text: &str) -> Result<Bore, QuantityError> {
    let (m, unit) = parse_quantity(text, Dimension::Length)?;
    Ok(Bore { m, us: matches!(unit.symbol, "in" | "ft") })
}

/// `97%`, `0.97`.
fn share(text: &str) -> Result<f64, String> {
    let wrong = || format!("`{text}` is not a share; write it like 97% or 0.97");
    let (number, all) = match text.trim().strip_suffix('%') {
        Some(number) => (number, 100.0),
        None => (text, 1.0),
    };
    let x = number::typed_within(number, &(0.0..=all)).map_err(|_| wrong())? / all;
    if x > 0.0 && x <= 1.0 { Ok(x) } else { Err(wrong()) }
}

/// Runs the command.
///
/// # Errors
/// Arguments that can't belong to a pump.
pub fn run(args: &FiguresArgs, io: &mut Io<'_>) -> anyhow::Result<ExitCode> {
    let usage = |err: crate::pump::PumpError| Usage(err.to_string());
    let action = args.double_acting.map_or(Action::Single, |rod| Action::Double { rod_m: rod.0 });
    let efficiency = match (args.tank, args.tank_strokes) {
        (Some(arrived), Some(strokes)) => {
            let first = FluidEnd::new(args.cylinders, args.liners[0].m, args.stroke.0, action).map_err(usage)?;
            let efficiency = volumetric_efficiency(arrived.0, strokes, first.displacement_m3()).map_err(usage)?;
            if efficiency > 1.0 {
                let text = format!(
                    "the tank test gives {:.1} % efficiency, more than the strokes can move; check liner, strokes and volume",
                    100.0 * efficiency
                );
                return Err(Usage(text).into());
            }
            efficiency
        }
        _ => args.efficiency.unwrap_or(1.0),
    };
    let input = FiguresInput {
        cylinders: args.cylinders,
        stroke_m: args.stroke.0,
        bores_m: args.liners.iter().map(|b| b.m).collect(),
        action,
        efficiency,
        spm: args.spm,
        pressure_pa: args.pressure.map(|p| p.0),
        to_spm: args.to_spm,
        muds_kg_per_m3: args.mud.zip(args.to_mud).map(|(from, to)| [from.0, to.0]),
        rod_load_n: args.rod_load.map(|f| f.0),
        fluid_end_pa: args.fluid_end_limit.map(|p| p.0),
        rod_over_crank: args.rod_ratio,
        volume_m3: args.volume.map(|v| v.0),
    };
    let table = figures(&input).map_err(usage)?;
    if args.json {
        let mut document = json!({"schema": "seatsong.figures/1", "efficiency": efficiency});
        if let (Value::Object(document), Value::Object(table)) = (&mut document, serde_json::to_value(&table)?) {
            document.extend(table);
        }
        io.json(&document)?;
        return Ok(ExitCode::SUCCESS);
    }
    let typed = if args.liners[0].us { UnitSystem::Us } else { UnitSystem::Si };
    let system = args.units.unwrap_or(typed);
    for line in lines(&table, &input, system) {
        writeln!(io.out, "{line}")?;
    }
    Ok(ExitCode::SUCCESS)
}

/// One column: its head and how a liner fills it.
type Column<'a> = (&'static str, Box<dyn Fn(&LinerFigures) -> Option<String> + 'a>);

fn columns(system: UnitSystem) -> Vec<Column<'static>> {
    let show = move |kind: Dimension, x: f64| kind.show(x, system);
    let us = system == UnitSystem::Us;
    let output = move |x: f64| if us { format!("{:.5} bbl", m3_to_bbl(x)) } else { format!("{:.4} l", 1000.0 * x) };
    vec![
        ("liner", Box::new(move |l| Some(show(Dimension::Length, l.bore_m)))),
        ("a stroke, 100 %", Box::new(move |l| Some(output(l.displacement_m3)))),
        ("a stroke", Box::new(move |l| Some(output(l.output_m3)))),
        (
            "flow",
            Box::new(move |l| {
                let q = l.flow_m3_per_s?;
                Some(if us {
                    format!("{:.1} gpm", m3_per_s_to_gpm(q))
                } else {
                    format!("{:.0} l/min", m3_per_s_to_lpm(q))
                })
            }),
        ),
        (
            "power",
            Box::new(move |l| {
                l.power_w.map(|w| if us { format!("{:.0} hp", w_to_hp(w)) } else { format!("{:.0} kW", w / 1000.0) })
            }),
        ),
        ("rod load", Box::new(move |l| l.rod_load_n.map(|n| show(Dimension::Force, n)))),
        (
            "rods allow",
            Box::new(move |l| {
                let by_end = if l.rated_by_fluid_end { " (fluid end)" } else { "" };
                l.rated_pa.map(|pa| format!("{}{by_end}", show(Dimension::Pressure, pa)))
            }),
        ),
        ("strokes", Box::new(|l| l.strokes.map(|n| format!("{n:.0}")))),
        ("time", Box::new(|l| l.time_s.map(|s| format!("{:.1} min", s / 60.0)))),
    ]
}

fn lines(table: &Figures, input: &FiguresInput, system: UnitSystem) -> Vec<String> {
    let mut out = vec![String::new()];
    let mut rows = vec![String::new(); table.liners.len()];
    for (head, cell) in columns(system) {
        let cells: Vec<Option<String>> = table.liners.iter().map(cell).collect();
        if cells.iter().all(Option::is_none) || (head == "a stroke" && input.efficiency >= 1.0) {
            continue;
        }
        let cells: Vec<String> = cells.into_iter().map(Option::unwrap_or_default).collect();
        let width = cells.iter().map(|c| c.chars().count()).chain([head.len()]).max().unwrap_or(0);
        out[0] += &format!("{head:>width$}  ");
        for (row, cell) in rows.iter_mut().zip(cells) {
            *row += &format!("{cell:>width$}  ");
        }
    }
    out.extend(rows);
    for line in &mut out {
        line.truncate(line.trim_end().len());
    }
    let mut note = |text: String| out.push(text);
    note(String::new());
    note(format!("Efficiency {:.1} %.", 100.0 * input.efficiency));
    if input.efficiency >= 1.0 {
        note(
            "A sound pump slips 3 to 5 % (pump handbook); a tank test (--tank, --tank-strokes) tells this one's."
                .into(),
        );
    }
    if let Some(pa) = table.new_pressure_pa {
        let at = input.to_spm.map(|spm| format!(" at {spm} SPM")).unwrap_or_default();
        let with = input.muds_kg_per_m3.map(|muds| format!(" with {} mud", Dimension::Density.show(muds[1], system)));
        note(format!(
            "Pressure{at}{}: {}, by the handbook's square of the rates and share of the mud weights. Exponents of 1.7 to 2 are met.",
            with.unwrap_or_default(),
            Dimension::Pressure.show(pa, system)
        ));
    }
    if let Some([above, below]) = table.ripple {
        note(format!(
            "Flow ripple {:+.1} % and {:.1} % of the mean, from the crank alone: no valve lag, no slip.",
            100.0 * above,
            100.0 * below
        ));
    }
    for liner in &table.liners {
        for (above, which) in [(liner.above_rating, "given"), (liner.new_above_rating, "worked out")] {
            if above {
                let bore = Dimension::Length.show(liner.bore_m, system);
                note(format!("WARNING: the pressure {which} is above what the rods allow with the {bore} liner."));
            }
        }
    }
    if input.rod_load_n.is_none() {
        note("Rating of the liners: no limit entered (--rod-load from the pump's plate).".into());
    } else {
        note("What the rods allow is arithmetic; the plates of liner, fluid end, line and hose decide.".into());
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn shares_are_read_with_or_without_their_sign() {
        assert_eq!(share("97%"), Ok(0.97));
        assert_eq!(share("0.97"), Ok(0.97));
        assert_eq!(share("97,125 %"), Ok(0.97125), "97125 % is no reading of it");
        for text in ["97", "0", "-3%", "120%", "", "x"] {
            assert!(share(text).is_err(), "{text}");
        }
    }
}
