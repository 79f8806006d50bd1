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
use crate::book::{
    Added, Book, BookError, ClipRow, Import, ImportFile, NamePattern, NewClip, PumpRow, RoundChange, RoundRow, SpotRow,
    Stamp,
};
use crate::clip::{self, ClipError};
use crate::map::rate_too_low;

/// Bring recordings into the book: single clips, or a whole folder as one round
#[derive(Debug, Clone, Args)]
#[command(after_help = "Examples:
  seatsong import usb/ --map 'm{module}*.wav' --spm 72 --pressure 2600psi
  seatsong import rec0031.wav --module 2 --round 12

The bytes are kept as they are; the files stay where they are. A recording that is in the book already is noticed by its checksum and told;
what is new is a round of its own. If an import is interrupted, the same command again brings the rest into the same round. A closed round
stays as it is.")]
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
    /// Attach to this open round instead of starting one; open is the pump's open round
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
    /// Checksum of its bytes; none where they can't be read.
    sum: Option<String>,
    /// Whether it is to be brought in.
    new: bool,
    /// Whether it can never carry a verdict: it is no part of the import.
    refused: bool,
}

/// What an import did.
#[derive(Default)]
struct Done {
    rounds: Vec<RoundRow>,
    added: Vec<ClipRow>,
    known: Vec<(String, ClipRow)>,
    failed: Vec<String>,
}

/// Runs the command.
///
/// # Errors
/// No book, names from which no module can be read, a closed round, a full disk. What was told to be in the book stays there.
pub fn run(args: &ImportArgs, io: &mut Io<'_>) -> anyhow::Result<ExitCode> {
    let mut book = args.place.open()?;
    let (pump, round) = args.pump_and_round(&book)?;
    let (named, _) = files::expand(&args.from)?;
    let (mut wishes, failed) = args.wishes(&book, &pump, named)?;
    let mut done = Done { failed, ..Done::default() };
    for why in &done.failed {
        io.say(why)?;
    }
    args.look_up(&mut book, &mut wishes, &mut done, io)?;
    wishes.retain(|w| !w.refused);
    match round {
        Some(round) => args.bring_into(&mut book, round, &wishes, &mut done, io)?,
        None => args.bring_in(&mut book, &pump, &wishes, &mut done, io)?,
    }
    if args.json {
        io.json(&done.json())?;
    } else if done.rounds.is_empty() {
        writeln!(io.out, "Nothing new: {} recording(s) are in the book already.", done.known.len())?;
    }
    for round in done.rounds.iter().filter(|_| !args.json) {
        let n = done.added.iter().filter(|row| row.round == round.id).count();
        writeln!(io.out, "{n} new clip(s) in round {}. Next: seatsong verdict {}", round.id, round.id)?;
    }
    Ok(if done.failed.is_empty() { ExitCode::SUCCESS } else { ExitCode::from(1) })
}

/// Why a recording can never carry a verdict, where its beginning tells. What can't be read at all is kept: the verdict says why.
fn of_no_use(named: &Named) -> Option<String> {
    match clip::sample_rate_hz(&named.path) {
        Ok(rate_hz) => rate_too_low(rate_hz).map(|f| format!("{}: not taken in: {}", named.file, f.text)),
        Err(err @ ClipError::RateOutOfRange { .. }) => Some(format!("{err}; not taken in")),
        Err(_) => None,
    }
}

impl Done {
    fn json(&self) -> Value {
        let known: Vec<Value> = self.known.iter().map(|(file, row)| json!({"file": file, "known_as": row})).collect();
        let rounds: Vec<i64> = self.rounds.iter().map(|r| r.id).collect();
        json!({"schema": "seatsong.import/1", "round": rounds.last(), "rounds": rounds, "added": self.added, "known": known,
            "failed": self.failed})
    }

    fn fail(&mut self, file: &str, err: impl Into<anyhow::Error>, io: &mut Io<'_>) -> anyhow::Result<()> {
        let why = format!("{:#}", err.into());
        let why = if why.starts_with(file) { why } else { format!("{file}: {why}") };
        io.say(&why)?;
        self.failed.push(why);
        Ok(())
    }
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
            wishes.push(Wish { named: n, spot, taken_at, sum: None, new: false, refused: false });
        }
        if wishes.is_empty() && failed.is_empty() {
            return Err(
                Usage("no file fits --map; it must match the whole name, such as 'm{module}*.wav'".into()).into()
            );
        }
        Ok((wishes, failed))
    }

    /// What the book has already is told file by file; what it had lost comes back to its place.
    fn look_up(&self, book: &mut Book, wishes: &mut [Wish], done: &mut Done, io: &mut Io<'_>) -> anyhow::Result<()> {
        for wish in wishes {
            let file = wish.named.file.clone();
            let row = match book.known_clip(&wish.named.path) {
                Ok((sum, row)) => {
                    wish.sum = Some(sum);
                    row
                }
                Err(err) => {
                    done.fail(&file, err, io)?;
                    continue;
                }
            };
            let Some(row) = row else {
                match of_no_use(&wish.named) {
                    None => wish.new = true,
                    Some(why) => {
                        wish.refused = true;
                        io.say(&why)?;
                        done.failed.push(why);
                    }
                }
                continue;
            };
            let place = format!("round {}, module {}, {}", row.round, row.module, row.file);
            let back = match book.clip_path(&row) {
                Ok(path) if path.exists() => Ok(false),
                Ok(_) => book.round(row.round).and_then(|round| self.add(book, &round, wish)).map(|_| true),
                Err(err) => Err(err),
            };
            match back {
                Ok(false) => io.say(&format!("{file}: is in the book already ({place})"))?,
                Ok(true) => io.say(&format!("{file}: the book had lost it; it is back ({place})"))?,
                Err(err) => {
                    done.fail(&file, err, io)?;
                    continue;
                }
            }
            done.known.push((file, row));
        }
        Ok(())
    }

    fn add(&self, book: &mut Book, round: &RoundRow, wish: &Wish) -> Result<Added, BookError> {
        let clip = NewClip { path: &wish.named.path, taken_at: &wish.taken_at, pulse: self.pulse };
        book.add_clip(round, &wish.spot, &clip)
    }

    /// Brings recordings into a round.
    fn add_all<'a>(
        &self,
        book: &mut Book,
        round: &RoundRow,
        wishes: impl Iterator<Item = &'a Wish>,
        done: &mut Done,
        io: &mut Io<'_>,
    ) -> anyhow::Result<()> {
        let new: Vec<&Wish> = wishes.filter(|w| w.new).collect();
        let bar = io.progress(new.len(), "clips");
        for wish in new {
            match self.add(book, round, wish) {
                Ok(Added::New(row)) => {
                    if !self.json {
                        let (n, module, kept) = (row.round, row.module, &row.file);
                        writeln!(io.out, "{}: round {n}, module {module}, {kept}", wish.named.file)?;
                        // Told only when it is on the disk, and then at once.
                        io.out.flush()?;
                    }
                    done.added.push(row);
                }
                Ok(Added::Known(row)) => done.known.push((wish.named.file.clone(), row)),
                Err(err) => done.fail(&wish.named.file, err, io)?,
            }
            bar.inc(1);
        }
        bar.finish_and_clear();
        Ok(())
    }

    /// Into the round that was named; a closed one is refused.
    fn bring_into(
        &self,
        book: &mut Book,
        mut round: RoundRow,
        wishes: &[Wish],
        done: &mut Done,
        io: &mut Io<'_>,
    ) -> anyhow::Result<()> {
        if wishes.iter().any(|w| w.new) {
            if let (id, Some(at)) = (round.id, &round.closed_at) {
                bail!(
                    "round {id} was closed at {at} and stays as it is; leave out --round, and what is new is a round of its own"
                );
            }
            round = book.change_round(round.id, &self.point.change(), false)?;
            self.add_all(book, &round, wishes.iter(), done, io)?;
        }
        if self.close && done.failed.is_empty() && round.closed_at.is_none() {
            round = book.change_round(round.id, &RoundChange::default(), true)?;
        }
        done.rounds.push(round);
        Ok(())
    }

    /// Into the round that the same import, interrupted, began; the rest into one of its own.
    fn bring_in(
        &self,
        book: &mut Book,
        pump: &PumpRow,
        wishes: &[Wish],
        done: &mut Done,
        io: &mut Io<'_>,
    ) -> anyhow::Result<()> {
        let files: Vec<ImportFile<'_>> = wishes
            .iter()
            .map(|w| ImportFile { file: &w.named.file, sha256: w.sum.as_deref(), taken_at: &w.taken_at })
            .collect();
        let import = Import { pump, at: self.at.as_ref(), point: &self.point.change(), files: &files };
        for into in book.import_rounds(&import)? {
            let id = into.round.id;
            if into.goes_on {
                io.say(&format!("this import was interrupted: it goes on in round {id}"))?;
            }
            self.add_all(book, &into.round, into.files.iter().filter_map(|&k| wishes.get(k)), done, io)?;
            let (round, ended) = book.end_import(id, self.close)?;
            if self.close && !ended {
                io.say(&format!(
                    "round {id} stays open: not all of its recordings are in; the same command again goes on, or `seatsong round close {id}`"
                ))?;
            }
            done.rounds.push(round);
        }
        Ok(())
    }
}
