//! `seatsong pump`: the pumps of the book.

use std::process::ExitCode;
use std::str::FromStr as _;

use clap::{Args, Subcommand};
use serde_json::{Value, json};

use super::book::BookArg;
use super::options::positive;
use super::{Io, Usage};
use crate::book::{Book, NewPump, PumpChange, PumpRow};
use crate::pump::{LinerRating, LinerState, check_liners, parse_order};
use crate::units::{Dimension, Metre, Newton, Pascal, QuantityError, UnitSystem};

/// Enter, change, show the pumps of the book
#[derive(Debug, Clone, Args)]
#[command(after_help = "Examples:
  seatsong pump add MP-1 --stroke 12in --liner 6in=3500psi --liner 5in=5000psi --fitted 6in
  seatsong pump set MP-1 --fitted 5in
  seatsong pump show

Ratings come from the pump's own plate, never from a table.")]
pub struct PumpsArgs {
    #[command(subcommand)]
    what: PumpCommand,
    #[command(flatten)]
    place: BookArg,
}

#[derive(Debug, Clone, Subcommand)]
enum PumpCommand {
    Figures(Box<super::figures::FiguresArgs>),
    /// Enter a pump, with one spot a module
    Add(Box<AddArgs>),
    /// Change a pump
    Set(SetArgs),
    /// Show one pump or all
    Show {
        /// Name of the pump [default: all]
        name: Option<String>,
        /// Print JSON instead of words
        #[arg(long)]
        json: bool,
    },
}

#[derive(Debug, Clone, Args)]
struct AddArgs {
    /// Name of the pump, such as MP-1
    name: String,
    /// Number of modules: 3 for a triplex [default: as in --order, else 3]
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u32).range(1..=12))]
    modules: Option<u32>,
    /// Module numbers in firing order, such as 1,3,2 [default: 1,2,3]
    #[arg(long, value_name = "LIST")]
    order: Option<String>,
    /// Stroke length, such as 12in
    #[arg(long, value_name = "LENGTH", value_parser = Metre::from_str)]
    stroke: Metre,
    #[command(flatten)]
    plate: PlateArgs,
}

#[derive(Debug, Clone, Args)]
struct SetArgs {
    /// Name of the pump
    name: String,
    /// Stroke length, such as 12in
    #[arg(long, value_name = "LENGTH", value_parser = Metre::from_str)]
    stroke: Option<Metre>,
    #[command(flatten)]
    plate: PlateArgs,
}

/// What stands on the pump's plate
#[derive(Debug, Clone, Args)]
struct PlateArgs {
    /// Diameter of the piston rod, such as 3 1/2in
    #[arg(long, value_name = "LENGTH", value_parser = Metre::from_str)]
    rod: Option<Metre>,
    /// Turns of the pinion shaft a crank turn
    #[arg(long, value_name = "N", value_parser = positive)]
    gear: Option<f64>,
    /// Rated rod load, such as 120klbf
    #[arg(long, value_name = "FORCE", value_parser = Newton::from_str)]
    rod_load: Option<Newton>,
    /// A liner and its rated pressure, such as 6in=3500psi; once a liner
    #[arg(long = "liner", value_name = "BORE=PRESSURE", value_parser = liner)]
    liners: Vec<LinerRating>,
    /// Bore of the fitted liner, such as 6in
    #[arg(long, value_name = "LENGTH", value_parser = Metre::from_str)]
    fitted: Option<Metre>,
    /// Units in which numbers are shown: us or si
    #[arg(long, value_name = "us|si", value_parser = UnitSystem::from_str)]
    units: Option<UnitSystem>,
}

/// `6in=3500psi`.
fn liner(text: &str) -> Result<LinerRating, String> {
    let (bore, rating) = text.split_once('=').ok_or("write a liner like 6in=3500psi")?;
    let bore: Metre = bore.parse().map_err(|e: QuantityError| e.to_string())?;
    let rating: Pascal = rating.parse().map_err(|e: QuantityError| e.to_string())?;
    Ok(LinerRating { bore_m: bore.0, rating_pa: rating.0 })
}

/// Runs the command.
///
/// # Errors
/// No book, a pump that is not in it, values that make no sense.
pub fn run(args: &PumpsArgs, io: &mut Io<'_>) -> anyhow::Result<ExitCode> {
    if let PumpCommand::Figures(args) = &args.what {
        // Arithmetic needs no book.
        return super::figures::run(args, io);
    }
    let mut book = args.place.open()?;
    match &args.what {
        PumpCommand::Figures(_) => {}
        PumpCommand::Add(add) => {
            let pump = book.add_pump(&add.new_pump()?)?;
            tell(&book, &pump, io)?;
        }
        PumpCommand::Set(set) => {
            let p = &set.plate;
            let change = PumpChange {
                stroke_m: set.stroke.map(|s| s.0),
                rod_m: p.rod.map(|r| r.0),
                gear_ratio: p.gear,
                rod_load_n: p.rod_load.map(|f| f.0),
                liners: p.liners.clone(),
                liner_m: p.fitted.map(|l| l.0),
                units: p.units,
            };
            let pump = book.set_pump(&set.name, &change)?;
            tell(&book, &pump, io)?;
        }
        PumpCommand::Show { name, json } => {
            let pumps = match name {
                Some(name) => vec![book.pump(name)?],
                None => book.pumps()?,
            };
            if *json {
                let all: Vec<Value> = pumps.iter().map(|p| as_json(&book, p)).collect::<anyhow::Result<_>>()?;
                io.json(&json!({"schema": "seatsong.pumps/1", "pumps": all}))?;
            } else if pumps.is_empty() {
                writeln!(io.out, "No pumps in the book yet. Next: seatsong pump add NAME --stroke 12in")?;
            } else {
                for pump in &pumps {
                    tell(&book, pump, io)?;
                }
            }
        }
    }
    Ok(ExitCode::SUCCESS)
}

impl AddArgs {
    fn new_pump(&self) -> anyhow::Result<NewPump> {
        let order = match &self.order {
            Some(text) => parse_order(text)?,
            None => (1..=self.modules.unwrap_or(3)).collect(),
        };
        if let Some(n) = self.modules.filter(|n| *n as usize != order.len()) {
            return Err(Usage(format!("--order names {} modules, --modules says {n}", order.len())).into());
        }
        let p = &self.plate;
        Ok(NewPump {
            name: self.name.clone(),
            order,
            stroke_m: self.stroke.0,
            rod_m: p.rod.map(|r| r.0),
            gear_ratio: p.gear,
            rod_load_n: p.rod_load.map(|f| f.0),
            liners: p.liners.clone(),
            liner_m: p.fitted.map(|l| l.0),
            units: p.units.unwrap_or_default(),
        })
    }
}

/// Share by which rod loads of one liner table may differ by rounding on the plate.
const PLATE_TOLERANCE: f64 = 0.02;

fn tell(book: &Book, pump: &PumpRow, io: &mut Io<'_>) -> anyhow::Result<()> {
    let d = &pump.data;
    let length = |m: f64| Dimension::Length.show(m, d.units);
    let pressure = |pa: f64| Dimension::Pressure.show(pa, d.units);
    let order: Vec<String> = d.order.iter().map(u32::to_string).collect();
    writeln!(io.out, "{}", d.name)?;
    writeln!(io.out, "  {} modules, firing order {}, stroke {}", d.order.len(), order.join(","), length(d.stroke_m))?;
    if let Some(rod) = d.rod_m {
        writeln!(io.out, "  rod {}", length(rod))?;
    }
    if let Some(gear) = d.gear_ratio {
        writeln!(io.out, "  gear ratio {gear}")?;
    }
    if let Some(load) = d.rod_load_n {
        writeln!(io.out, "  rated rod load {}", Dimension::Force.show(load, d.units))?;
    }
    match (d.liner_m, pump.rating_pa()) {
        (Some(bore), Some(pa)) => writeln!(io.out, "  fitted liner {}, rated {}", length(bore), pressure(pa))?,
        (Some(bore), None) => writeln!(io.out, "  fitted liner {}, no limit entered", length(bore))?,
        _ => writeln!(io.out, "  fitted liner not entered")?,
    }
    for check in check_liners(&d.liners, PLATE_TOLERANCE)? {
        let remark = match check.state {
            LinerState::Agrees => "",
            LinerState::Capped => "  (below the rod load: the fluid end's own limit?)",
            LinerState::TooHigh => "  (more than the rod load of the others allows: look at the plate again)",
            LinerState::TooLow => "  (less than the others explain: look at the plate again)",
        };
        writeln!(io.out, "  liner {}: {}{remark}", length(check.liner.bore_m), pressure(check.liner.rating_pa))?;
    }
    for spot in book.spots(pump)?.iter().filter(|s| !s.note.is_empty()) {
        writeln!(io.out, "  module {}, spot {}: {}", spot.module, spot.name, spot.note)?;
    }
    Ok(())
}

fn as_json(book: &Book, pump: &PumpRow) -> anyhow::Result<Value> {
    let d = &pump.data;
    let liners: Vec<Value> = d.liners.iter().map(|l| json!({"bore_m": l.bore_m, "rating_pa": l.rating_pa})).collect();
    Ok(json!({
        "name": d.name, "key": pump.uuid, "order": d.order, "stroke_m": d.stroke_m, "rod_m": d.rod_m, "gear_ratio": d.gear_ratio,
        "rod_load_n": d.rod_load_n, "fitted_liner_m": d.liner_m, "fitted_rating_pa": pump.rating_pa(), "liners": liners,
        "units": d.units, "spots": book.spots(pump)?,
    }))
}
