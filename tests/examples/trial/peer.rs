//! The same clips by general-purpose libraries put together: `tests/benches/peer_logmel.py`.

use std::io::Write;
use std::path::Path;
use std::process::{Command, Stdio};

use anyhow::{Context, bail};
use serde_json::json;

use crate::figures::{Share, auc};
use crate::make::{Cell, file_name};
use crate::plan::{Kind, floor_db};
use crate::tally::Departures;

/// Departures of one way of judging under one condition.
#[derive(Default)]
struct Side {
    healthy: Vec<f64>,
    /// Hiss below the floor, at it, above it; knock; late closing; missing closing.
    faulty: [Vec<f64>; 6],
}

/// Both ways on the same clips.
#[derive(Default)]
pub(crate) struct Both {
    ours: Side,
    peer: Side,
}

const ROWS: [&str; 6] =
    ["hiss 3 dB below floor", "hiss at floor", "hiss 3 dB above floor", "knock", "late closing", "missing closing"];

impl Side {
    fn add(&mut self, cell: &Cell, k: usize, departure: f64) {
        match cell.jobs[k].kind {
            Kind::Healthy => self.healthy.push(departure),
            Kind::Faulty(wrong) => {
                let row = match wrong.name {
                    "knock" => 3,
                    "late closing" => 4,
                    "missing closing" => 5,
                    _ => {
                        let above = wrong.level.unwrap_or(0.0) - floor_db(cell.condition);
                        if above < -1.0 {
                            0
                        } else if above < 1.0 {
                            1
                        } else {
                            2
                        }
                    }
                };
                self.faulty[row].push(departure);
            }
            Kind::Good | Kind::Beside(_) => {}
        }
    }
}

fn above_one(x: &[f64]) -> Share {
    let mut out = Share::default();
    x.iter().for_each(|&d| out.count(d > 1.0));
    out
}

impl Both {
    /// Runs the peer on the sounds of a cell, one job a module, and adds both ways' departures.
    pub(crate) fn add(&mut self, cell: &Cell, sounds: &Path, ours: &Departures) -> anyhow::Result<()> {
        let (goods, nows) = cell.parts();
        let asked: Vec<usize> = nows.into_iter().filter(|&k| !matches!(cell.jobs[k].kind, Kind::Beside(_))).collect();
        let mut jobs = Vec::new();
        let mut at: Vec<Vec<usize>> = Vec::new();
        for module in 1..=3 {
            let of = |all: &[usize]| -> Vec<usize> {
                all.iter().copied().filter(|&k| cell.jobs[k].module == module).collect()
            };
            let names = |all: &[usize]| -> Vec<String> {
                all.iter().map(|&k| sounds.join(file_name(k)).display().to_string()).collect()
            };
            jobs.push(json!({"good": names(&of(&goods)), "now": names(&of(&asked))}));
            at.push(of(&asked));
        }
        let list = sounds.join("jobs.json");
        std::fs::File::create(&list)?.write_all(json!(jobs).to_string().as_bytes())?;
        let python = std::env::var("SEATSONG_PYTHON").unwrap_or_else(|_| "python3".into());
        let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/benches/peer_logmel.py");
        let run = Command::new(&python)
            .arg(&script)
            .arg(&list)
            .stderr(Stdio::inherit())
            .output()
            .with_context(|| format!("cannot start {python}; set SEATSONG_PYTHON to a Python with librosa"))?;
        if !run.status.success() {
            bail!("{} failed; it needs: pip install numpy scipy soundfile librosa scikit-learn", script.display());
        }
        let found: Vec<Vec<f64>> = serde_json::from_slice(&run.stdout).context("the peer's result")?;
        for (k, departure) in at.iter().flatten().zip(found.iter().flatten()) {
            self.peer.add(cell, *k, *departure);
            self.ours.add(cell, *k, ours.get(k).copied().unwrap_or(0.0));
        }
        Ok(())
    }

    /// Prints both side by side.
    pub(crate) fn show(&self, out: &mut impl Write, condition: &str) -> std::io::Result<()> {
        let (a, b) = (above_one(&self.ours.healthy), above_one(&self.peer.healthy));
        let percent = |s: Share| format!("{:.0} %", s.per_cent());
        writeln!(out, "  {condition:<10} {:<22} {:>4}  {:>15}  {:>15}", "false alarms", a.of, percent(a), percent(b))?;
        for (row, (x, y)) in ROWS.iter().zip(self.ours.faulty.iter().zip(&self.peer.faulty)) {
            let both = |healthy: &[f64], x: &[f64]| match auc(healthy, x) {
                Some(area) => format!("{area:.3} {:>8}", percent(above_one(x))),
                None => "-".into(),
            };
            writeln!(
                out,
                "  {condition:<10} {row:<22} {:>4}  {:>15}  {:>15}",
                x.len(),
                both(&self.ours.healthy, x),
                both(&self.peer.healthy, y)
            )?;
        }
        Ok(())
    }
}
