//! The trial: made-up pump rooms under four conditions, what the method finds in them and how often it cries wolf.
//!
//! `cargo run --release --example trial` takes 20 to 30 minutes on two cores; `-- --quick` a third of that; `-- --whole` and `-- --drift` ask about whole rounds and
//! slow drifts instead. The default rooms are ones that
//! the method was not developed on (those began at seed 1000).
#![allow(
    clippy::print_stdout,
    clippy::print_stderr,
    clippy::unwrap_used,
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss
)]

mod drift;
mod few;
mod figures;
mod keep;
mod make;
mod narrow;
mod peer;
mod plan;
mod show;
mod tally;
mod whole;

use std::path::PathBuf;
use std::time::Instant;

use clap::Parser;
use seatsong::inside::sample::Condition;

use make::Maker;
use plan::Size;
use tally::Tally;

/// Tries the method on made-up pump rooms and prints what it promised and what came of it.
#[derive(Parser)]
struct Args {
    /// Rooms.
    #[arg(long, default_value_t = 6)]
    rooms: u64,
    /// Seed of the first room.
    #[arg(long, default_value_t = 5000)]
    seed: u64,
    /// Conditions, by name: calm, daily, phone, neighbour; all without this.
    #[arg(long, value_delimiter = ',', value_parser = ["calm", "daily", "phone", "neighbour"])]
    conditions: Vec<String>,
    /// Good rounds in each room and condition.
    #[arg(long, default_value_t = 8, value_parser = clap::value_parser!(u64).range(3..=100))]
    good: u64,
    /// Healthy rounds judged in each room and condition, three clips each.
    #[arg(long, default_value_t = 8, value_parser = clap::value_parser!(u64).range(1..=900))]
    healthy: u64,
    /// Rounds of each fault and level in each room and condition.
    #[arg(long, default_value_t = 2)]
    repeats: u64,
    /// Two rooms, each fault once.
    #[arg(long)]
    quick: bool,
    /// Keep analysed clips here, and use what is kept. Empty the folder after a change before the scoring.
    #[arg(long)]
    keep: Option<PathBuf>,
    /// Give the console reading (true speed +-1.5 strokes/min) as a hint.
    #[arg(long)]
    hint: bool,
    /// Of a faulty round only the faulty module's clip: faster, but nothing is known of the right module.
    #[arg(long)]
    lean: bool,
    /// Run tests/benches/peer_logmel.py on the same clips of the first rooms (python from SEATSONG_PYTHON, else python3).
    #[arg(long)]
    peer: bool,
    /// Rooms that the peer is run on.
    #[arg(long, default_value_t = 1)]
    peer_rooms: u64,
    /// Whole rounds with strong leaks instead: is the right module named where the next ones hear it?
    #[arg(long, conflicts_with_all = ["drift", "peer", "lean"])]
    whole: bool,
    /// Good clips of one or two rounds instead: do healthy clips then alarm?
    #[arg(long, conflicts_with_all = ["drift", "whole", "peer", "lean"])]
    few: bool,
    /// Clips of low sample rates instead: what can they tell?
    #[arg(long, conflicts_with_all = ["drift", "whole", "few", "peer", "lean"])]
    narrow: bool,
    /// A leak that grows slowly instead: does the trend speak before the single verdict?
    #[arg(long, conflicts_with_all = ["peer"])]
    drift: bool,
    /// Rounds in each room's pool of the drift mode.
    #[arg(long, default_value_t = 40, value_parser = clap::value_parser!(u16).range(8..=900))]
    pool: u16,
    /// Write all figures here.
    #[arg(long)]
    json: Option<PathBuf>,
}

fn main() -> anyhow::Result<()> {
    let args = Args::parse();
    let rooms = if args.quick { 2 } else { args.rooms };
    let repeats = if args.quick { 1 } else { args.repeats };
    let size = Size { good: args.good, healthy: args.healthy, repeats, lean: args.lean };
    let maker = Maker { size, hint: args.hint, keep: args.keep.as_deref() };
    let wanted = |c: &Condition| args.conditions.is_empty() || args.conditions.iter().any(|n| n == c.name());
    let mut out = std::io::stdout().lock();
    if args.whole || args.drift || args.few || args.narrow {
        let conditions: Vec<Condition> = Condition::ALL.into_iter().filter(wanted).collect();
        let seeds = args.seed..args.seed + rooms;
        let figures = if args.whole {
            whole::run(&mut out, &maker, seeds, &conditions)?
        } else if args.few {
            few::run(&mut out, &maker, seeds, &conditions)?
        } else if args.narrow {
            narrow::run(&mut out, &maker, seeds, &conditions)?
        } else {
            drift::run(&mut out, &maker, seeds, &conditions, usize::from(args.pool))?
        };
        if let Some(path) = &args.json {
            std::fs::write(path, serde_json::to_string_pretty(&figures)?)?;
        }
        return Ok(());
    }
    println!(
        "trial: {rooms} rooms from seed {}, {} good rounds, {} healthy rounds, each fault {repeats} times, {} hint",
        args.seed,
        args.good,
        args.healthy,
        if args.hint { "with a" } else { "without a" }
    );
    let mut tallies = Vec::new();
    let mut peers = Vec::new();
    for condition in Condition::ALL.into_iter().filter(wanted) {
        let started = Instant::now();
        let mut tally = Tally::new(condition);
        let mut both = peer::Both::default();
        for r in 0..rooms {
            let with_peer = args.peer && r < args.peer_rooms;
            let folder = if with_peer { Some(tempfile::tempdir()?) } else { None };
            let sounds = folder.as_ref().map(tempfile::TempDir::path);
            let cell = maker.cell(args.seed + r, condition, sounds)?;
            let departures = tally.add(&cell)?;
            if let Some(sounds) = sounds {
                both.add(&cell, sounds, &departures)?;
            }
        }
        show::condition(&mut out, &tally)?;
        eprintln!("  {:.0} s, of which judging {:.1} s", started.elapsed().as_secs_f64(), tally.judging_s);
        tallies.push(tally);
        peers.push((condition.name(), both));
    }
    let floors = show::floors(&tallies, args.hint);
    show::summary(&mut out, &tallies, &floors)?;
    if args.peer {
        println!(
            "\nthe same clips by general-purpose libraries (tests/benches/peer_logmel.py), rooms from seed {}:",
            args.seed
        );
        println!("  {:<10} {:<22} {:>4}  {:>15}  {:>15}", "", "AUC and found", "n", "seatsong", "peer");
        for (name, both) in &peers {
            both.show(&mut out, name)?;
        }
    }
    if let Some(path) = &args.json {
        std::fs::write(path, serde_json::to_string_pretty(&show::json(&tallies, &floors))?)?;
    }
    Ok(())
}
