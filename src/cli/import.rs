//! `seatsong import`: recordings into the book.

use std::path::PathBuf;
use std::process::ExitCode;
use std::str::FromStr as _;

use anyhow::bail;
use clap::Args;
use serde_json::{Value, json};

use super::book::BookArg;
use super::files::{self, Named};
use super::round::PointArgs;
use super::{Io, Usage};
use crate::book::{Added, Book, ClipRow, NamePattern, NewClip, NewRound, PumpRow, RoundRow, SpotRow, Stamp};
use crate::clip::{self, ClipError};
use crate::map::rate_too_low;

/// Bring recordings into the book: single clips, or a whole folder as one round
#[derive(Debug, Clone, Args)]
#[command(after_help = "Examples:
  seatsong import usb/ --map 'm{module}*.wav' --spm 72 --pressure 2600psi
  seatsong import rec0031.wav --module 2 --round 12

The bytes are kept as they are; the files stay where they are. A recording that is in the book already is noticed by its checksum. If an
import is interrupted, the same command again brings the rest into the same round.")]
pub struct ImportArgs {
    /// Recordings, folders or patterns such as 'usb/*.wav'
    #[arg(required = true, value_name = "FILE|FOLDER")]
    from: Vec<PathBuf>,
    /// Pump [default: the only one, or that of --round]
    #[arg(long, value_name = "NAME")]
    pump: Option<String>,
    /// Module of all these recordings
    #[arg(long, value_name = "N", conflicts_with = "map")]
    module: Option<u32>,
    /// Where the module's number stands in a name [default: m{module}*, *-m{module}* or *_m{module}*]
    #[arg(long, value_name = "PATTERN", value_parser = NamePattern::from_str)]
    map: Option<NamePattern>,
    /// Spot [default: main]
    #[arg(long, value_name = "NAME")]
    spot: Option<String>,
    /// Attach to this round instead of starting one; open is the pump's open round
    #[arg(long, value_name = "N|open")]
    round: Option<String>,
    /// When they were taken, such as 2026-11-25T06:30+01:00 [default: each file's own time]
    #[arg(long, value_name = "TIME", value_parser = Stamp::from_str)]
    at: Option<Stamp>,
    /// Channel with one pulse a turn at the start of module 1's discharge stroke, counted from 1
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u16).range(1..))]
    pulse: Option<u16>,
    /// Close the round when all are in
    #[arg(long)]
    close: bool,
    #[command(flatten)]
    point: PointArgs,
    /// Print JSON instead of words
    #[arg(long)]
    json: bool,
    #[command(flatten)]
    place: BookArg,
}

/// Patterns tried where none is given.
const USUAL: [&str; 3] = ["m{module}*", "*-m{module}*", "*_m{module}*"];

/// One recording with what is known of it.
struct Wish {
    named: Named,
    spot: SpotRow,
    taken_at: Stamp,
}

/// Runs the command.
///
/// # Errors
/// No book, names from which no module can be read, a full disk. What was told to be in the book stays there.
pub fn run(args: &ImportArgs, io: &mut Io<'_>) -> anyhow::Result<ExitCode> {
    let mut book = args.place.open()?;
    let (pump, round) = args.pump_and_round(&book)?;
    let (named, _) = files::expand(&args.from)?;
    let (wishes, mut failed) = args.wishes(&book, &pump, named)?;
    for why in &failed {
        io.say(why)?;
    }
    let mut known: Vec<(String, ClipRow)> = Vec::new();
    let mut new: Vec<Wish> = Vec::new();
    for wish in wishes {
        match book.known_clip(&wish.named.path) {
            // A lost recording is brought in again even though its entry is there.
            Ok(Some(row)) if book.clip_path(&row).exists() => known.push((wish.named.file, row)),
            Ok(_) => match of_no_use(&wish.named) {
                None => new.push(wish),
                Some(why) => {
                    io.say(&why)?;
                    failed.push(why);
                }
            },
            Err(err) => {
                let why = format!("{:#}", anyhow::Error::from(err));
                io.say(&why)?;
                failed.push(why);
            }
        }
    }
    for (file, row) in &known {
        io.say(&format!("{file}: is in the book already (round {}, module {}, {})", row.round, row.module, row.file))?;
    }
    let mut added: Vec<ClipRow> = Vec::new();
    let mut into = round;
    if !new.is_empty() {
        let round = match into.take() {
            Some(round) => book.change_round(round.id, &args.point.change(), false)?,
            None => args.round_for(&mut book, &pump, &known, &new, io)?,
        };
        let bar = io.progress(new.len(), "clips");
        for wish in &new {
            let clip = NewClip { path: &wish.named.path, taken_at: &wish.taken_at, pulse: args.pulse };
            match book.add_clip(&round, &wish.spot, &clip) {
                Ok(Added::New(row)) => {
                    if !args.json {
                        writeln!(
                            io.out,
                            "{}: round {}, module {}, {}",
                            wish.named.file, row.round, row.module, row.file
                        )?;
                        // Told only when it is on the disk, and then at once.
                        io.out.flush()?;
                    }
                    added.push(row);
                }
                Ok(Added::Known(row)) => known.push((wish.named.file.clone(), row)),
                Err(err) => {
                    let why = format!("{:#}", anyhow::Error::from(err));
                    io.say(&format!("{}: {why}", wish.named.file))?;
                    failed.push(why);
                }
            }
            bar.inc(1);
        }
        bar.finish_and_clear();
        into = Some(round);
    }
    if args.close
        && let Some(round) = &into
        && round.closed_at.is_none()
    {
        into = Some(book.change_round(round.id, &crate::book::RoundChange::default(), true)?);
    }
    if args.json {
        io.json(&as_json(into.as_ref(), &added, &known, &failed))?;
    } else if let Some(round) = &into {
        writeln!(io.out, "{} new clip(s) in round {}. Next: seatsong verdict {}", added.len(), round.id, round.id)?;
    } else {
        writeln!(io.out, "Nothing new: {} recording(s) are in the book already.", known.len())?;
    }
    Ok(if failed.is_empty() { ExitCode::SUCCESS } else { ExitCode::from(1) })
}

/// Why a recording can never carry a verdict, where its beginning tells. What can't be read at all is kept: the verdict says why.
fn of_no_use(named: &Named) -> Option<String> {
    match clip::sample_rate_hz(&named.path) {
        Ok(rate_hz) => rate_too_low(rate_hz).map(|f| format!("{}: not taken in: {}", named.file, f.text)),
        Err(err @ ClipError::RateOutOfRange { .. }) => Some(format!("{err}; not taken in")),
        Err(_) => None,
    }
}

fn as_json(round: Option<&RoundRow>, added: &[ClipRow], known: &[(String, ClipRow)], failed: &[String]) -> Value {
    let known: Vec<Value> = known.iter().map(|(file, row)| json!({"file": file, "known_as": row})).collect();
    json!({"schema": "seatsong.import/1", "round": round.map(|r| r.id), "added": added, "known": known, "failed": failed})
}

impl ImportArgs {
    fn pump_and_round(&self, book: &Book) -> anyhow::Result<(PumpRow, Option<RoundRow>)> {
        let Some(text) = &self.round else { return Ok((book.pump_or_only(self.pump.as_deref())?, None)) };
        if text.eq_ignore_ascii_case("open") {
            let pump = book.pump_or_only(self.pump.as_deref())?;
            let Some(round) = book.open_round(&pump)? else {
                bail!("pump {} has no open round; `seatsong round start` starts one", pump.data.name);
            };
            return Ok((pump, Some(round)));
        }
        let named = self.pump.as_deref().map(|n| book.pump(n)).transpose()?;
        let round = book.round_named(text, named.as_ref())?;
        Ok((book.pump_by_id(round.pump_id)?, Some(round)))
    }

    /// What each file is; files that can't be placed are told and left.
    fn wishes(&self, book: &Book, pump: &PumpRow, named: Vec<Named>) -> anyhow::Result<(Vec<Wish>, Vec<String>)> {
        let usual: Vec<NamePattern> = USUAL.iter().filter_map(|p| p.parse().ok()).collect();
        let patterns: &[NamePattern] = self.map.as_ref().map_or(&usual, std::slice::from_ref);
        let mut wishes = Vec::new();
        let mut failed = Vec::new();
        for n in named {
            let name = n.path.file_name().map(|f| f.to_string_lossy().into_owned()).unwrap_or_default();
            let module = self.module.or_else(|| patterns.iter().find_map(|p| p.module_of(&name)));
            let Some(module) = module else {
                // A file of a folder that does not fit a given pattern is simply not meant.
                if n.explicit || self.map.is_none() {
                    failed.push(format!(
                        "{}: its name tells no module; give --module or --map 'm{{module}}*.wav'",
                        n.file
                    ));
                }
                continue;
            };
            let spot = match book.spot(pump, module, self.spot.as_deref()) {
                Ok(spot) => spot,
                Err(err) => {
                    failed.push(format!("{}: {err}", n.file));
                    continue;
                }
            };
            let own = || n.path.metadata().and_then(|m| m.modified()).ok().and_then(Stamp::of_system_time);
            let taken_at = self.at.clone().or_else(own).unwrap_or_else(Stamp::now);
            wishes.push(Wish { named: n, spot, taken_at });
        }
        if wishes.is_empty() && failed.is_empty() {
            return Err(
                Usage("no file fits --map; it must match the whole name, such as 'm{module}*.wav'".into()).into()
            );
        }
        Ok((wishes, failed))
    }

    /// The round of an interrupted import of the same files, else a new one.
    fn round_for(
        &self,
        book: &mut Book,
        pump: &PumpRow,
        known: &[(String, ClipRow)],
        new: &[Wish],
        io: &mut Io<'_>,
    ) -> anyhow::Result<RoundRow> {
        let mut rounds: Vec<i64> = known.iter().map(|(_, row)| row.round).collect();
        rounds.sort_unstable();
        rounds.dedup();
        if let [id] = rounds[..] {
            let round = book.round(id)?;
            if round.pump_id == pump.id {
                io.say(&format!("the other files of this import are in round {id}: these go there too"))?;
                return Ok(book.change_round(id, &self.point.change(), false)?);
            }
        }
        let first = new.iter().map(|w| &w.taken_at).min_by_key(|s| s.ms).cloned();
        Ok(book.start_round(pump, &NewRound { at: self.at.clone().or(first), point: self.point.change() })?)
    }
}
