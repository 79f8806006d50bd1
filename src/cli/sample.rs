//! `seatsong sample`: the clips of a scenario, written to a folder.

use crate::sample::{MadeClip, Scenario};

use anyhow::Context;
use std::io::Write;
use std::path::{Path, PathBuf};

/// Write the made-up clips of a scenario file, with a clips.csv a pump for `compare --list`
#[derive(Debug, clap::Args)]
#[command(
    after_help = "Example:\n  seatsong sample samples/demo.toml --out practice\n  seatsong compare --list practice/pumpA/clips.csv"
)]
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

#[cfg(test)]
mod tests {
    use super::*;

    fn made(json: bool) -> (tempfile::TempDir, String) {
        let folder = tempfile::tempdir().unwrap();
        let scenario = folder.path().join("s.toml");
        let text = "rig = \"Invented rig\"\nseed = 1\n[recording]\nduration_s = 0.5\nsample_rate_hz = 8000.0\n\
            [[pump]]\nname = \"pumpA\"\nseed = 2\nnominal_spm = 70.0\n[[pump.round]]\npulse = [1]\n\
            [[pump.round]]\nrole = \"now\"\nmodules = [2]\nfault = { kind = \"piston\", level_db = -3.0 }\n\
            fault_module = 2\n";
        std::fs::write(&scenario, text).unwrap();
        let args = SampleArgs { scenario, out: folder.path().join("out"), json };
        let mut out = Vec::new();
        run(&args, &mut out).unwrap();
        (folder, String::from_utf8(out).unwrap())
    }

    #[test]
    fn clips_and_list_lie_where_it_says() {
        let (folder, text) = made(false);
        assert!(text.contains("4 made-up clips") && text.contains("2 rounds, 4 clips"), "{text}");
        let pump = folder.path().join("out/pumpA");
        let list = std::fs::read_to_string(pump.join("clips.csv")).unwrap();
        let rows: Vec<&str> = list.lines().collect();
        assert_eq!(rows[0], "file,role,round,spm,pressure,module,pulse");
        assert_eq!(rows.len(), 5);
        assert!(rows[1].starts_with("round-01/m1.wav,good,round-01,") && rows[1].ends_with(",1,2"));
        assert!(rows[4].starts_with("round-02/m2.wav,now,round-02,") && rows[4].ends_with(",2,"));
        for row in &rows[1..] {
            let file = row.split(',').next().unwrap();
            let reader = hound::WavReader::open(pump.join(file)).unwrap();
            assert_eq!(reader.duration(), 4000, "{file}");
        }
    }

    #[test]
    fn json_tells_the_truth_about_each_clip() {
        let (_folder, text) = made(true);
        let all: serde_json::Value = serde_json::from_str(&text).unwrap();
        assert_eq!(all["schema"], "seatsong.sample/1");
        assert_eq!(all["clips"].as_array().unwrap().len(), 4);
        let last = &all["clips"][3];
        assert_eq!(last["fault"]["module"], 2);
        assert_eq!(last["fault"]["fault"]["kind"], "piston");
        assert!(all["clips"][0]["fault"].is_null() && all["clips"][0]["pulse"] == 2);
    }

    #[test]
    fn a_missing_scenario_is_named() {
        let args = SampleArgs { scenario: "no/such.toml".into(), out: "x".into(), json: false };
        let err = run(&args, &mut Vec::new()).unwrap_err();
        assert!(format!("{err:#}").contains("no/such.toml"));
    }
}
