//! The trial: made-up pump rooms under four conditions, what the method finds in them and how often it cries wolf.
#![allow(clippy::print_stdout, clippy::print_stderr, clippy::unwrap_used, clippy::cast_possible_truncation, clippy::cast_sign_loss)]

mod keep;

use std::path::PathBuf;

use clap::Parser;
use rayon::prelude::*;
use seatsong::clip::{Clip, Scale};
use seatsong::map::{AnalyseSettings, analyse};
use seatsong::sample::{Condition, Fault, Room, RoomSettings, RoundSpec, ValveEvent};
use seatsong::score::{Item, PumpShape, compare};

#[derive(Parser)]
struct Args {
    /// Rooms.
    #[arg(long, default_value_t = 6)]
    rooms: u64,
    /// Seed of the first room.
    #[arg(long, default_value_t = 1000)]
    seed: u64,
    /// Healthy rounds judged in each room and condition.
    #[arg(long, default_value_t = 7)]
    healthy: u64,
    /// Keep analysed clips here, and use what is kept.
    #[arg(long)]
    keep: Option<PathBuf>,
    /// Conditions, by name.
    #[arg(long, value_delimiter = ',')]
    conditions: Vec<String>,
    /// Only the faulty module's clip of a faulty round.
    #[arg(long)]
    lean: bool,
    /// A line a condition.
    #[arg(long)]
    brief: bool,
    /// Give the console reading as a hint.
    #[arg(long)]
    hint: bool,
}

const GOOD: u64 = 8;

fn faults(condition: Condition) -> Vec<(String, Fault)> {
    let mut out = Vec::new();
    let levels: &[f64] = match condition {
        Condition::Calm => &[-21.0, -18.0, -15.0, -12.0],
        Condition::Daily => &[-18.0, -15.0, -12.0, -9.0],
        Condition::Phone => &[-15.0, -12.0, -9.0, -6.0],
        Condition::Neighbour => &[-15.0, -12.0, -9.0, -6.0],
    };
    for &level_db in levels {
        out.push((format!("suction {level_db}"), Fault::SuctionValve { level_db }));
        out.push((format!("discharge {level_db}"), Fault::DischargeValve { level_db }));
        out.push((format!("piston {level_db}"), Fault::Piston { level_db }));
    }
    for level_db in [-6.0, 0.0] {
        out.push((format!("knock {level_db}"), Fault::Knock { level_db }));
    }
    for deg in [10.0, 15.0] {
        out.push((format!("late {deg}"), Fault::LateClosing { deg, harder_db: 2.0 }));
    }
    out.push(("missing 0".into(), Fault::MissingEvent { which: ValveEvent::SuctionCloses }));
    out.push(("missing 1".into(), Fault::MissingEvent { which: ValveEvent::DischargeCloses }));
    out
}

fn item(room: &Room, round: &RoundSpec, module: u32, name: &str, pulse: bool, hint: bool) -> (Item, f64) {
    let mut spec = round.clip(module);
    spec.pulse = pulse;
    let rec = room.record(&spec).unwrap();
    let clip = Clip {
        path: name.into(),
        samples: rec.samples,
        sample_rate_hz: rec.sample_rate_hz,
        scale: Scale::FullScale,
        pulse: rec.pulse,
        start_s: 0.0,
        file_s: round.duration_s,
        channels: 1,
        format: "made up".into(),
        bits: None,
        findings: Vec::new(),
    };
    let console = round.console_spm(module);
    let settings = AnalyseSettings { hint_spm: hint.then_some(console), ..AnalyseSettings::default() };
    let analysis = analyse(&clip, &settings);
    let item = Item {
        file: format!("{name}|{:.4}", rec.spm_mean),
        module: Some(module),
        round: Some(format!("{:x}", round.seed)),
        console_spm: hint.then_some(console),
        pressure: Some(round.pressure),
        analysis,
    };
    (item, rec.spm_mean)
}

struct Cell {
    condition: Condition,
    goods: Vec<Item>,
    nows: Vec<Item>,
    order: Vec<u32>,
}

fn make(args: &Args, seed: u64, condition: Condition) -> Cell {
    let settings = RoomSettings::drawn(seed);
    let order = settings.order.clone();
    let paths = args.keep.as_ref().map(|d| {
        std::fs::create_dir_all(d).unwrap();
        let h = if args.hint { "-hint" } else { "" };
        let l = if args.lean { "-lean" } else { "" };
        let name = format!("{seed}-{}-{}{h}{l}", condition.name(), args.healthy);
        (d.join(format!("{name}.good")), d.join(format!("{name}.now")))
    });
    if let Some((g, n)) = &paths
        && g.exists()
        && n.exists()
    {
        return Cell { condition, goods: keep::read(g).unwrap(), nows: keep::read(n).unwrap(), order };
    }
    let room = Room::new(seed, &settings).unwrap();
    let base = seed.wrapping_mul(1_000_003) ^ ((condition as u64 + 1) << 40);
    let mut jobs: Vec<(RoundSpec, u32, String, bool)> = Vec::new();
    for r in 0..GOOD {
        let round = condition.round(base + r, &room);
        for m in 1..=3 {
            jobs.push((round.clone(), m, "good".into(), r == 0));
        }
    }
    for r in 0..args.healthy {
        let round = condition.round(base + 100 + r, &room);
        for m in 1..=3 {
            jobs.push((round.clone(), m, "healthy".into(), false));
        }
    }
    for (k, (name, fault)) in faults(condition).into_iter().enumerate() {
        let mut round = condition.round(base + 1000 + k as u64, &room);
        round.fault = Some(fault);
        round.fault_module = (k as u32 + seed as u32) % 3 + 1;
        for m in 1..=3 {
            if m == round.fault_module {
                jobs.push((round.clone(), m, format!("fault:{name}"), false));
            } else if !args.lean {
                jobs.push((round.clone(), m, format!("beside:{name}"), false));
            }
        }
    }
    let items: Vec<Item> =
        jobs.par_iter().map(|(round, m, name, pulse)| item(&room, round, *m, name, *pulse, args.hint).0).collect();
    let (goods, nows): (Vec<Item>, Vec<Item>) = items.into_iter().partition(|i| i.file.starts_with("good"));
    if let Some((g, n)) = &paths {
        keep::write(g, &goods).unwrap();
        keep::write(n, &nows).unwrap();
    }
    Cell { condition, goods, nows, order }
}

fn auc(healthy: &[f64], faulty: &[f64]) -> f64 {
    let mut wins = 0.0;
    for f in faulty {
        for h in healthy {
            wins += if f > h { 1.0 } else if (f - h).abs() < 1e-12 { 0.5 } else { 0.0 };
        }
    }
    wins / (healthy.len() * faulty.len()).max(1) as f64
}

fn main() {
    let args = Args::parse();
    for condition in Condition::ALL {
        if !args.conditions.is_empty() && !args.conditions.iter().any(|c| c == condition.name()) {
            continue;
        }
        let mut healthy: Vec<f64> = Vec::new();
        let mut alone: std::collections::BTreeMap<String, Vec<f64>> = std::collections::BTreeMap::new();
        let mut by_fault: std::collections::BTreeMap<String, Vec<f64>> = std::collections::BTreeMap::new();
        let mut spm_errors: Vec<f64> = Vec::new();
        let mut unlocked = 0;
        let mut family_of_false: Vec<String> = Vec::new();
        let started = std::time::Instant::now();
        let mut comparing = 0.0;
        for r in 0..args.rooms {
            let cell = make(&args, args.seed + r, condition);
            for i in cell.goods.iter().chain(&cell.nows) {
                let truth: f64 = i.file.split('|').nth(1).unwrap().parse().unwrap();
                match i.analysis.takes.first() {
                    Some(t) => spm_errors.push((t.spm / truth - 1.0).abs()),
                    None => unlocked += 1,
                }
            }
            let t0 = std::time::Instant::now();
            let result = compare(&cell.goods, &cell.nows, &PumpShape { order: cell.order.clone() });
            comparing += t0.elapsed().as_secs_f64();
            let _ = cell.condition;
            for (i, j) in cell.nows.iter().zip(&result.judged) {
                let name = i.file.split('|').next().unwrap();
                let d = j.as_ref().map_or(0.0, |j| j.combined.departure);
                if let Some(j) = j {
                    let key: String = if name == "healthy" { name.into() } else { format!("HISS {}", name.split(' ').nth(1).unwrap()) };
                    if name == "healthy" || ["suction", "discharge", "piston"].iter().any(|k| name.contains(k)) {
                        alone.entry(key.clone()).or_default().push(j.best[0].score);
                        alone.entry(key.replace("HISS", "ANY").replace("healthy", "healthy any")).or_default().push(j.best[1].score);
                    }
                }
                if name == "healthy" {
                    healthy.push(d);
                    if d > 1.0 {
                        let j = j.as_ref().unwrap();
                        let s = &result.spots[j.spot];
                        let f = j.combined.family;
                        let what = s.scorer.bank.families.get(f).map_or("omnibus".into(), |f| format!("{:?}", f.pattern));
                        family_of_false.push(format!("{what} {d:.2} agree {:.2}", j.agreement));
                    }
                } else if let Some(n) = name.strip_prefix("fault:") {
                    by_fault.entry(n.to_string()).or_default().push(d);
                    let kind: String = n.split(' ').next().unwrap().into();
                    if ["suction", "discharge", "piston"].contains(&kind.as_str()) {
                        by_fault.entry(format!("HISS {}", n.split(' ').nth(1).unwrap())).or_default().push(d);
                    }
                }
            }
        }
        spm_errors.sort_by(f64::total_cmp);
        let fa = healthy.iter().filter(|&&d| d > 1.0).count();
        println!(
            "== {} : healthy {} false {} ({:.1} %), median departure {:.2}; spm error median {:.3} % worst {:.2} % over 1%: {}; unlocked {unlocked}; {:.0} s, comparing {comparing:.1} s",
            condition.name(),
            healthy.len(),
            fa,
            100.0 * fa as f64 / healthy.len() as f64,
            {
                let mut h = healthy.clone();
                h.sort_by(f64::total_cmp);
                h[h.len() / 2]
            },
            100.0 * spm_errors[spm_errors.len() / 2],
            100.0 * spm_errors[spm_errors.len() - 1],
            spm_errors.iter().filter(|&&e| e > 0.01).count(),
            started.elapsed().as_secs_f64()
        );
        println!("   false: {family_of_false:?}");
        let line: Vec<String> =
            alone.iter().filter(|(n, _)| !n.starts_with("healthy")).map(|(n, d)| format!("{n}: {:.3}", auc(&alone[if n.starts_with("ANY") { "healthy any" } else { "healthy" }], d))).collect();
        println!("   hiss family alone: {}", line.join("  "));
        if args.brief {
            let line: Vec<String> = by_fault
                .iter()
                .filter(|(n, _)| n.starts_with("HISS") || n.ends_with("-6") || n.ends_with(" 10") || n.starts_with("miss"))
                .map(|(n, d)| format!("{n}: {:.3}/{:.0}%", auc(&healthy, d), 100.0 * d.iter().filter(|&&d| d > 1.0).count() as f64 / d.len() as f64))
                .collect();
            println!("   {}", line.join("  "));
            continue;
        }
        for (name, d) in &by_fault {
            let found = d.iter().filter(|&&d| d > 1.0).count();
            println!(
                "   {name:16} n {:3} AUC {:.3} found {:3.0} % median {:.2}",
                d.len(),
                auc(&healthy, d),
                100.0 * found as f64 / d.len() as f64,
                {
                    let mut d = d.clone();
                    d.sort_by(f64::total_cmp);
                    d[d.len() / 2]
                }
            );
        }
    }
}
