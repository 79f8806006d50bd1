//! `seatsong sample`: the clips of a scenario, written to a folder.

use crate::sample::{MadeClip, Scenario};

use anyhow::Context;
use std::io::Write;
use std::path::{Path, PathBuf};

/// Write the made-up clips of a scenario file, with a clips.csv a pump for `compare --list`
#[derive(Debug, clap::Args)]
pub struct SampleArgs {
    /// Scenario file (TOML), such as samples/demo.toml
    pub scenario: PathBuf,
    /// Folder to write to; made if missing, files of the same name are replaced
    #[arg(long, value_name = "DIR")]
    pub out: PathBuf,
    /// Print what was made, with the truth about each clip, as JSON
    #[arg(long)]
    pub json: bool,
}

/// Runs the command: makes every clip, then says what lies where.
///
/// # Errors
/// A scenario that cannot be read or made, a folder that cannot be written.
pub fn run(args: &SampleArgs, out: &mut dyn Write) -> anyhow::Result<()> {
    let scenario = Scenario::read(&args.scenario)?;
    let rooms = scenario.rooms()?;
    let n = scenario.plan(&rooms)?.len();
    // Hidden by itself when stderr is not a terminal.
    let bar = indicatif::ProgressBar::new(n as u64).with_message("clips");
    let made = scenario
        .make(&args.out, &|| bar.inc(1))
        .with_context(|| format!("could not make the clips of {}", args.scenario.display()))?;
    bar.finish_and_clear();
    if args.json { print_json(&scenario, &made, out) } else { print_text(&scenario, &made, &args.out, out) }
}

fn print_text(scenario: &Scenario, made: &[MadeClip], folder: &Path, out: &mut dyn Write) -> anyhow::Result<()> {
    writeln!(out, "{}: {} made-up clips in {}", scenario.rig, made.len(), folder.display())?;
    for (p, pump) in scenario.pumps.iter().enumerate() {
        let clips = made.iter().filter(|c| c.plan.pump == p).count();
        let list = folder.join(&pump.name).join("clips.csv");
        writeln!(out, "  {}: {} rounds, {clips} clips; list {}", pump.name, pump.rounds.len(), list.display())?;
    }
    Ok(())
}

fn print_json(scenario: &Scenario, made: &[MadeClip], out: &mut dyn Write) -> anyhow::Result<()> {
    let clips: Vec<serde_json::Value> = made
        .iter()
        .map(|c| {
            let spec = &c.plan.spec;
            let fault = spec.fault.map(|fault| serde_json::json!({"module": spec.fault_module, "fault": fault}));
            serde_json::json!({
                "file": c.plan.file,
                "pump": scenario.pumps[c.plan.pump].name,
                "round": c.plan.round,
                "role": c.plan.role,
                "module": spec.module,
                "console_spm": c.plan.console_spm,
                "pressure": c.plan.pressure,
                "pulse": spec.pulse.then_some(2),
                "sample_rate_hz": spec.sample_rate_hz,
                "true_spm": c.spm_mean,
                "true_start_deg": c.start_deg,
                "fault": fault,
            })
        })
        .collect();
    let all = serde_json::json!({"schema": "seatsong.sample/1", "rig": scenario.rig, "clips": clips});
    serde_json::to_writer_pretty(&mut *out, &all)?;
    writeln!(out)?;
    Ok(())
}
