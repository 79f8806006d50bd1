//! `seatsong compare`: today's clips against the good ones, no book needed.

use std::collections::HashSet;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

use anyhow::bail;
use clap::Args;

use super::files::{self, Named};
use super::options::{PumpArgs, ReadArgs, console_spm, discharge_bar, picture_path, taps_arg};
use super::{Io, Usage, list};
use crate::report::json::Baselines;
use crate::report::{ground, json, picture, text, view, words};
use crate::score::JudgeSettings;
use crate::score::request::{self, Ask, Compared, TapsFile, Terms};

/// Compare today's clips of a module with its good ones
///
/// Says whether the module sounds as it should, and if not, what changed and what that usually means. Give at least 3 clips from days when the module ran well, better 8 or more, and one or more from now. All were taken at
/// the same painted mark, in the same way. Or give a whole round of modules as a table with --list.
#[derive(Debug, Clone, Args)]
#[command(after_help = EXAMPLES)]
pub struct CompareArgs {
    /// Known-good clip; give it again for more, or a folder, or a pattern such as 'good/*.wav'
    #[arg(long, value_name = "CLIP", num_args = 1.., required_unless_present = "list", conflicts_with = "list")]
    good: Vec<PathBuf>,
    /// Clip to be judged; give it again for more
    #[arg(long, value_name = "CLIP", num_args = 1.., required_unless_present = "list", conflicts_with = "list")]
    now: Vec<PathBuf>,
    /// Table of clips instead of --good and --now: columns file,role,round,spm,pressure,module,pulse; role is good or now
    ///
    /// Columns may come in any order, others are ignored, empty cells mean not known. Files are looked for beside the table.
    /// Clips with the same round were taken on one walk. spm is that clip's own console reading. One baseline a module.
    #[arg(long, value_name = "CLIPS.csv")]
    list: Option<PathBuf>,
    /// Strokes a minute on the console when the --now clips were taken (with --list: where a now row has none)
    #[arg(long, value_name = "N", value_parser = console_spm)]
    spm: Option<f64>,
    /// The same for the --good clips, if it was the same for all [default: found from the sound]
    #[arg(long, value_name = "N", value_parser = console_spm)]
    good_spm: Option<f64>,
    /// Discharge pressure with its unit when the --now clips were taken, such as 2600psi, 179bar, 17.9MPa
    ///
    /// It counts only where the good clips' pressures are known too, which --list can say.
    #[arg(long, value_name = "P", value_parser = discharge_bar)]
    pressure: Option<f64>,
    /// Module at which the clips were taken (with --list: where a row has none)
    #[arg(long, value_name = "N")]
    module: Option<u32>,
    /// Times of taps as module 1's discharge stroke starts, one time in seconds a line; FILE or CLIP=FILE
    ///
    /// Without CLIP they belong to the clip that bears the file's name, else to the one whose strokes they follow best.
    #[arg(long, value_name = "FILE", value_parser = taps_arg)]
    taps: Vec<TapsFile>,
    /// Draw good, now and difference; with several --now clips OUT shows the worst, and OUT-1, OUT-2 ... each of them
    #[arg(long, value_name = "OUT.png|.svg", value_parser = picture_path)]
    picture: Option<PathBuf>,
    /// Print JSON (schema seatsong.verdict/1) instead of words
    #[arg(long)]
    json: bool,
    /// The machine has no stroke (charge pump, gearbox): compare levels by frequency only
    #[arg(long)]
    rotating: bool,
    /// Judge without good clips that do not fit the other good ones
    #[arg(long)]
    skip_odd: bool,
    /// Leave out good clips that can't be used instead of stopping
    #[arg(long)]
    skip_bad: bool,
    #[command(flatten)]
    pump: PumpArgs,
    #[command(flatten)]
    recordings: ReadArgs,
}

const EXAMPLES: &str = "\
Examples:
  seatsong compare --good good/ --now today.wav --spm 72 --picture today.png
  seatsong compare --good mon.wav tue.wav wed.wav --now today.wav --module 2 --pulse 2
  seatsong compare --list clips.csv --order 1,3,2 --json

A verdict is advice: opening a pump needs the site's permit to work, isolation, lock-out and bled pressure.";

/// Runs the command.
///
/// # Errors
/// Good clips that can't be used, too few of them, a list or a picture that can't be read or written.
pub fn run(args: &CompareArgs, io: &mut Io<'_>) -> anyhow::Result<ExitCode> {
    let order = args.pump.order()?;
    let module = args.module.filter(|m| !order.contains(m));
    if let Some(m) = module {
        return Err(Usage(format!("--module {m} is not one of the pump's {order:?}; give --modules or --order")).into());
    }
    let read = args.recordings.settings()?;
    let (goods, nows) = args.asks(&order, io)?;
    let terms = Terms {
        read: &read,
        judge: JudgeSettings { order, rotating: args.rotating, skip_odd: args.skip_odd },
        skip_bad: args.skip_bad,
        taps: &args.taps,
    };
    let bar = io.progress(goods.len() + nows.len(), "clips");
    let compared = request::compare(&goods, &nows, &terms, &|| bar.inc(1));
    bar.finish_and_clear();
    let compared = compared?;
    for remark in &compared.remarks {
        io.say(remark)?;
    }
    if args.json {
        let shape = if args.list.is_some() { Baselines::List } else { Baselines::One };
        io.json(&json::verdicts(&compared.baselines, shape, &compared.clips, &compared.odd, &compared.skipped))?;
    } else {
        print(&compared, io)?;
    }
    if let Some(path) = &args.picture {
        draw(&compared, path, io)?;
    }
    Ok(ExitCode::SUCCESS)
}

fn say_again(names: usize, io: &mut Io<'_>) -> anyhow::Result<()> {
    if names > 0 {
        io.say(&format!("{names} good clip(s) were named more than once and count once"))?;
    }
    Ok(())
}

/// The words for a person.
pub(crate) fn print(compared: &Compared, io: &mut Io<'_>) -> anyhow::Result<()> {
    write!(io.out, "{}", text::verdicts(&compared.clips, io.text))?;
    let ground = ground::ground(&compared.baselines, &compared.odd, &compared.skipped, io.text);
    if !ground.is_empty() {
        write!(io.out, "\n{ground}")?;
    }
    Ok(())
}

/// Writes the pictures and says which.
fn draw(compared: &Compared, path: &Path, io: &mut Io<'_>) -> anyhow::Result<()> {
    let drawable = |k: &usize| compared.maps[*k].is_some();
    let Some(worst) = words::worst_first(&compared.clips).into_iter().find(drawable) else {
        io.say("no picture: no clip could be judged by its stroke")?;
        return Ok(());
    };
    picture_of(compared, worst, path, io)?;
    if compared.clips.len() > 1 {
        for k in (0..compared.clips.len()).filter(drawable) {
            picture_of(compared, k, &numbered(path, k + 1), io)?;
        }
    }
    Ok(())
}

fn picture_of(compared: &Compared, k: usize, path: &Path, io: &mut Io<'_>) -> anyhow::Result<()> {
    let Some(maps) = &compared.maps[k] else { return Ok(()) };
    let (clip, scale) = (&compared.clips[k], compared.scales[k]);
    picture::change_map(path, &view::in_scale(maps, scale), clip, &clip.file, scale)?;
    io.say(&format!("{}: picture of {}", path.display(), clip.file))?;
    Ok(())
}

/// `OUT.png` to `OUT-2.png`.
pub(super) fn numbered(path: &Path, n: usize) -> PathBuf {
    let stem = path.file_stem().unwrap_or_default().to_string_lossy();
    let ending = path.extension().unwrap_or_default().to_string_lossy();
    path.with_file_name(format!("{stem}-{n}.{ending}"))
}

impl CompareArgs {
    /// Good clips and now clips, as typed or as listed.
    fn asks(&self, order: &[u32], io: &mut Io<'_>) -> anyhow::Result<(Vec<Ask>, Vec<Ask>)> {
        if let Some(path) = &self.list {
            let mut rows = list::read(path, order)?;
            say_again(rows.again, io)?;
            for ask in rows.goods.iter_mut().chain(&mut rows.nows) {
                ask.module = ask.module.or(self.module);
            }
            for ask in &mut rows.nows {
                ask.spm = ask.spm.or(self.spm);
                ask.pressure = ask.pressure.or(self.pressure);
            }
            for ask in &mut rows.goods {
                ask.spm = ask.spm.or(self.good_spm);
            }
            return Ok((rows.goods, rows.nows));
        }
        let nows = files::expand_globs(&self.now);
        let goods = self.goods(&nows, io)?;
        let ask = |named: Named, spm: Option<f64>, pressure: Option<f64>| Ask {
            file: named.file,
            path: named.path,
            module: self.module,
            spm,
            pressure,
            ..Ask::default()
        };
        // The console reading is that of the now clips: the good ones were taken at speeds of their own.
        Ok((
            goods.into_iter().map(|g| ask(g, self.good_spm, None)).collect(),
            nows.into_iter().map(|n| ask(n, self.spm, self.pressure)).collect(),
        ))
    }

    /// The good clips. A clip to be judged that lies in the folder of the good ones is not one of them.
    fn goods(&self, nows: &[Named], io: &mut Io<'_>) -> anyhow::Result<Vec<Named>> {
        let asked: HashSet<PathBuf> = nows.iter().map(|n| files::identity(&n.path)).collect();
        let (named, twice) = files::expand(&self.good)?;
        say_again(twice, io)?;
        let mut goods = Vec::new();
        for good in named {
            if !good.explicit && asked.contains(&files::identity(&good.path)) {
                io.say(&format!("{}: is to be judged, so it is not taken as a good clip", good.file))?;
            } else {
                goods.push(good);
            }
        }
        if goods.is_empty() {
            bail!("no good clips are left: give at least 3 that are not to be judged");
        }
        Ok(goods)
    }
}
