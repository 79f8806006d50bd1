//! The promised costs, measured side by side in one run.
//!
//! `cargo bench --bench cost`. The steps of one clip take turns, so a busy machine slows all of them alike; medians are
//! compared. With `SEATSONG_PYTHON` naming a Python with numpy and scipy, the whole `seatsong compare` is also timed
//! against `tests/benches/plain_compare.py`, one after the other.
#![allow(clippy::print_stdout, clippy::print_stderr)]

mod common;

use std::hint::black_box;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::Instant;

use anyhow::ensure;
use seatsong::inside::dsp::frames::FramePlan;
use seatsong::inside::map::{AnalyseSettings, analyse};
use seatsong::inside::sample::{Condition, write_wav};

/// Times that each step of a clip is measured.
const TURNS: usize = 41;
/// Times that each whole process is measured.
const RUNS: usize = 3;

fn seconds<T>(work: impl FnOnce() -> T) -> f64 {
    let started = Instant::now();
    black_box(work());
    started.elapsed().as_secs_f64()
}

fn median(mut x: Vec<f64>) -> f64 {
    x.sort_by(f64::total_cmp);
    x[x.len() / 2]
}

fn word(met: bool) -> &'static str {
    if met { "met" } else { "NOT MET" }
}

/// One clip's steps against the bare FFTs of its frames.
fn steps() {
    let (calm, neighbour) = (common::clip(Condition::Calm), common::clip(Condition::Neighbour));
    let plan = FramePlan::shared(calm.sample_rate_hz);
    let settings = AnalyseSettings::default();
    let mut floor = common::Floor::new(&plan, calm.samples.len());
    let second = analyse(&neighbour, &settings).takes.first().and_then(|t| t.second_spm);
    if second.is_none() {
        println!("note: no second rhythm was found in the neighbour clip, so the last row says nothing");
    }
    let mut times = [const { Vec::new() }; 4];
    // The first turn warms up plans and caches.
    for turn in 0..=TURNS {
        let row = [
            seconds(|| floor.run(black_box(&calm.samples), plan.frame_len())),
            seconds(|| plan.band_frames(black_box(&calm.samples))),
            seconds(|| analyse(black_box(&calm), &settings)),
            seconds(|| analyse(black_box(&neighbour), &settings)),
        ];
        for (all, t) in times.iter_mut().zip(row) {
            if turn > 0 {
                all.push(t);
            }
        }
    }
    let [bare, bands, map, all] = times.map(median);
    println!("\none 30 s clip at 48 kHz, medians of {TURNS} turns on one thread");
    println!("  {:<46} {:>8.2} ms", "bare real FFTs of the same frames", 1e3 * bare);
    for (what, t, most) in [
        ("samples to band levels", bands, 1.6),
        ("samples to stroke map with rate and phase", map, 3.0),
        ("everything with the second rhythm taken out", all, 5.0),
    ] {
        let ratio = t / bare;
        println!("  {what:<46} {:>8.2} ms = {ratio:.2} x, promised <= {most}  {}", 1e3 * t, word(ratio <= most));
    }
}

/// Wall time of a command that must succeed.
fn process(command: &mut Command) -> anyhow::Result<f64> {
    let started = Instant::now();
    let run = command.stdin(Stdio::null()).stdout(Stdio::null()).stderr(Stdio::piped()).output()?;
    let took = started.elapsed().as_secs_f64();
    ensure!(run.status.success(), "{command:?}: {}", String::from_utf8_lossy(&run.stderr));
    Ok(took)
}

/// Eight good clips and one of today, each 30 s: the program against a plain script.
fn whole(python: &str) -> anyhow::Result<()> {
    let folder = tempfile::tempdir()?;
    let mut files: Vec<PathBuf> = Vec::new();
    let mut spm = 0.0;
    for walk in 0..9 {
        let path = folder.path().join(format!("{walk}.wav"));
        let made = common::recorded(Condition::Daily, 100 + walk);
        spm = made.spm_mean;
        write_wav(&path, &made, 16)?;
        files.push(path);
    }
    let arguments = |command: &mut Command, hint: bool| {
        for good in &files[..8] {
            command.arg("--good").arg(good);
        }
        command.arg("--now").arg(&files[8]);
        if hint {
            command.arg("--spm").arg(format!("{spm:.1}"));
        }
    };
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/benches/plain_compare.py");
    println!("\nwhole process, 8 good clips and 1 of today, 30 s each, medians of {RUNS} runs");
    for (what, hint) in [("speed not given", false), ("speed given", true)] {
        let (mut ours, mut plain) = (Vec::new(), Vec::new());
        for _ in 0..RUNS {
            let mut command = Command::new(env!("CARGO_BIN_EXE_seatsong"));
            command.arg("compare");
            arguments(&mut command, hint);
            ours.push(process(&mut command)?);
            let mut command = Command::new(python);
            command.arg(&script);
            arguments(&mut command, hint);
            plain.push(process(&mut command)?);
        }
        let (ours, plain) = (median(ours), median(plain));
        println!(
            "  {what:<16} seatsong compare {ours:>6.3} s, plain_compare.py {plain:>6.2} s = {:.1} x, promised >= 20  {}",
            plain / ours,
            word(plain >= 20.0 * ours)
        );
    }
    Ok(())
}

fn main() -> anyhow::Result<()> {
    // `cargo test --all-targets` starts this too, without this word: nothing to measure then.
    if !std::env::args().any(|a| a == "--bench") {
        return Ok(());
    }
    steps();
    match std::env::var("SEATSONG_PYTHON") {
        Ok(python) => whole(&python)?,
        Err(_) => println!("\nset SEATSONG_PYTHON to a Python with numpy and scipy to time the whole process too"),
    }
    Ok(())
}
