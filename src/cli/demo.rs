//! `seatsong demo`: the whole job on made-up clips, ending with a note and its pictures.

use std::path::{Path, PathBuf};
use std::process::ExitCode;

use anyhow::Context as _;
use clap::Args;

use super::job::{self, Compared, Terms};
use super::{Io, compare, list};
use crate::clip::ReadSettings;
use crate::report::json::{self, Baselines};
use crate::report::note::{self, Note, NoteClip, NotePump};
use crate::report::{note_picture, picture, view, write_file};
use crate::sample::{DEMO, Pump, Scenario};
use crate::score::JudgeSettings;

/// Show the whole job on made-up clips
///
/// An invented rig with two pumps, eight good rounds and one round today. One module's discharge valve has begun to wash, too faint for an ear. Clips, pictures, verdicts and a one-page note are
/// written to DIR; files of the same names there are replaced, others left alone.
#[derive(Debug, Clone, Args)]
#[command(after_help = "Example:\n  seatsong demo\n  then open seatsong-demo/note.html")]
pub struct DemoArgs {
    /// Folder to write to; made if missing
    #[arg(value_name = "DIR", default_value = "seatsong-demo")]
    dir: PathBuf,
}

/// Runs the command.
///
/// # Errors
/// A folder that can't be written.
pub fn run(args: &DemoArgs, io: &mut Io<'_>) -> anyhow::Result<ExitCode> {
    let dir = &args.dir;
    let clips = dir.join("clips");
    let pictures = dir.join("pictures");
    std::fs::create_dir_all(&pictures)
        .with_context(|| format!("{}: the folder can't be made; give another: seatsong demo DIR", dir.display()))?;
    let scenario = Scenario::parse(DEMO, Path::new("the demo's own scenario"))?;
    let n_clips = scenario.plan(&scenario.rooms()?)?.len();
    io.say(&format!("making {n_clips} clips of an invented rig in {}", clips.display()))?;
    let bar = io.progress(n_clips, "making");
    let made = scenario.make(&clips, &|| bar.inc(1));
    bar.finish_and_clear();
    made?;
    let mut note = Note {
        rig: scenario.rig.clone(),
        when: "one made-up round".into(),
        remarks: vec!["All clips are made up by the program itself. No pump, rig or person stands behind them.".into()],
        ..Note::default()
    };
    for pump in &scenario.pumps {
        let compared = judge(pump, &clips.join(&pump.name), io)?;
        writeln!(io.out, "{}, {}", scenario.rig, pump.name)?;
        compare::print(&compared, io)?;
        writeln!(io.out)?;
        note.pumps.push(write_pump(pump, &compared, dir, &pictures)?);
    }
    let path = dir.join("note.html");
    write_file(&path, note::html(&note).as_bytes())?;
    let whole = path.canonicalize().unwrap_or(path);
    writeln!(io.out, "The note: {}", whole.display())?;
    Ok(ExitCode::SUCCESS)
}

fn judge(pump: &Pump, folder: &Path, io: &Io<'_>) -> anyhow::Result<Compared> {
    let rows = list::read(&folder.join("clips.csv"), &pump.order)?;
    let read = ReadSettings::default();
    let judge = JudgeSettings { order: pump.order.clone(), ..JudgeSettings::default() };
    let terms = Terms { read: &read, judge, skip_bad: false, taps: &[] };
    let bar = io.progress(rows.goods.len() + rows.nows.len(), "comparing");
    let compared = job::compare(&rows.goods, &rows.nows, &terms, &|| bar.inc(1));
    bar.finish_and_clear();
    compared
}

/// Writes a pump's verdicts and pictures; returns its part of the note.
fn write_pump(pump: &Pump, compared: &Compared, dir: &Path, pictures: &Path) -> anyhow::Result<NotePump> {
    let document =
        json::verdicts(&compared.baselines, Baselines::List, &compared.clips, &compared.odd, &compared.skipped);
    let text = format!("{}\n", serde_json::to_string_pretty(&document)?);
    write_file(&dir.join(format!("{}.json", pump.name)), text.as_bytes())?;
    let mut out = NotePump { name: pump.name.clone(), ..NotePump::default() };
    let today = pump.rounds.iter().rev().find(|r| r.role == crate::sample::Role::Now);
    out.spm = today.and_then(|r| r.spm);
    out.pressure = today.and_then(|r| r.pressure).map(|p| format!("{p:.0} bar"));
    out.facts = compared
        .baselines
        .iter()
        .filter_map(|b| Some((format!("Good clips of module {}", b.module?), b.clips.to_string())))
        .collect();
    for (clip, (maps, &scale)) in compared.clips.iter().zip(compared.maps.iter().zip(&compared.scales)) {
        let picture = match maps {
            None => None,
            Some(maps) => {
                let maps = view::in_scale(maps, scale);
                let name = clip.module.map_or_else(|| pump.name.clone(), |m| format!("{}-m{m}", pump.name));
                let title = format!("{}, {}", pump.name, clip.file);
                picture::change_map(&pictures.join(format!("{name}.png")), &maps, clip, &title, scale)?;
                Some(note_picture::note_png(&maps, clip)?)
            }
        };
        out.clips.push(NoteClip { verdict: clip.clone(), picture });
    }
    Ok(out)
}
