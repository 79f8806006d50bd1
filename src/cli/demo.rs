//! `seatsong demo`: the whole job on made-up clips, in a book of its own, ending with the handover note.

use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::time::{Duration, SystemTime};

use anyhow::{Context as _, bail};
use clap::Args;
use jiff::Timestamp;

use super::{Io, handover, verdict};
use crate::book::{Book, BookError, NewClip, NewPump, NewRound, PumpRow, RoundChange, RoundRow, RoundVerdict, Stamp};
use crate::handover::{gather, html};
use crate::pump::LinerRating;
use crate::sample::{DEMO, MadeClip, Pump, Role, Scenario};
use crate::score::State;
use crate::units::{UnitSystem, bar_to_pa};

/// Show the whole job on made-up clips
///
/// An invented rig with two pumps, eight good rounds and one round today. One module's discharge valve has begun to wash, too faint for an ear. The clips lie in DIR/clips, the book that
/// they are taken into in DIR/book, the handover note in DIR (handover.html, .pdf, .txt). The demo again in the same DIR goes on with its book and writes the note anew; a book that is not
/// its own is never written to.
#[derive(Debug, Clone, Args)]
#[command(after_help = "Example:\n  seatsong demo\n  then open seatsong-demo/handover.html")]
pub struct DemoArgs {
    /// Folder to write to; made if missing
    #[arg(value_name = "DIR", default_value = "seatsong-demo")]
    dir: PathBuf,
}

/// What stands in every round of the demo and on its note; the first round of a book tells by it whose book it is.
const MADE_UP: &str =
    "All clips are made up by the program itself: seatsong demo. No pump, rig or person stands behind them.";
/// Crew position of whoever walks the demo's rounds.
const CREW: &str = "demo";
/// From one round to the next.
const DAY: Duration = Duration::from_secs(24 * 3600);

/// Runs the command.
///
/// # Errors
/// A folder that can't be written, a book in it that is not the demo's own.
pub fn run(args: &DemoArgs, io: &mut Io<'_>) -> anyhow::Result<ExitCode> {
    let dir = &args.dir;
    let (clips, place) = (dir.join("clips"), dir.join("book"));
    std::fs::create_dir_all(&clips)
        .with_context(|| format!("{}: the folder can't be made; give another: seatsong demo DIR", dir.display()))?;
    // Looked at before anything is made, made only when there is something to take in: an end in between leaves no empty book.
    let earlier = own_book(&place)?;
    let scenario = Scenario::parse(DEMO, Path::new("the demo's own scenario"))?;
    let made = make(&scenario, &clips, io)?;
    let mut book = match earlier {
        Some(book) => {
            io.say(&format!("{}: the demo's book of before; what is in it stays", place.display()))?;
            for found in book.recovered() {
                io.say(&found.to_string())?;
            }
            book
        }
        None => Book::create(&place)?,
    };
    let now = SystemTime::now();
    let bar = io.progress(made.len(), "into the book");
    let mut today = Vec::new();
    for (p, pump) in scenario.pumps.iter().enumerate() {
        let of_pump: Vec<&MadeClip> = made.iter().filter(|c| c.plan.pump == p).collect();
        today.extend(walk(&mut book, pump, (&of_pump, &clips), now, &|| bar.inc(1))?);
    }
    bar.finish_and_clear();
    let bar = io.progress(made.len(), "comparing");
    let verdicts: Result<Vec<_>, _> = today.iter().map(|round| book.judge_round(round, &|| bar.inc(1))).collect();
    bar.finish_and_clear();
    let verdicts = verdicts?;
    for verdict in &verdicts {
        verdict::tell(verdict, io)?;
        writeln!(io.out)?;
    }
    let (sheet, _) = book.sheet()?;
    let last = today.iter().map(|r| r.started.ms).max().context("the demo's scenario has no round of today")?;
    let last = Timestamp::from_millisecond(last)?;
    let tour = sheet.plan.tour_at(last)?;
    let at = Timestamp::now().min(tour.end);
    let mut note = gather(&mut book, &scenario.rig, &tour, at, &|| ())?;
    note.remarks.insert(0, MADE_UP.into());
    handover::write_note(dir, &note, &html(&note))?;
    tell(dir, &place, &verdicts, &sheet.plan.typed(last), io)?;
    Ok(ExitCode::SUCCESS)
}

/// The book that an earlier run made here; `None` where there is none.
fn own_book(place: &Path) -> anyhow::Result<Option<Book>> {
    let book = match Book::open(place) {
        Err(BookError::NoBook { .. }) => return Ok(None),
        book => book?,
    };
    if !book.round(1).is_ok_and(|first| first.remarks.contains(MADE_UP)) {
        bail!("{}: a book is here that the demo did not make; give another folder: seatsong demo DIR", place.display());
    }
    Ok(Some(book))
}

fn make(scenario: &Scenario, clips: &Path, io: &mut Io<'_>) -> anyhow::Result<Vec<MadeClip>> {
    let n_clips = scenario.plan(&scenario.rooms()?)?.len();
    io.say(&format!("making {n_clips} clips of an invented rig in {}", clips.display()))?;
    let bar = io.progress(n_clips, "making");
    let made = scenario.make(clips, &|| bar.inc(1));
    bar.finish_and_clear();
    Ok(made?)
}

/// Takes a pump's rounds into the book, a day apart and the last one now, and accepts the good ones; returns those to be judged.
///
/// What an earlier run took in is known by its checksum and stays where it is.
fn walk(
    book: &mut Book,
    pump: &Pump,
    (made, clips): (&[&MadeClip], &Path),
    now: SystemTime,
    step: &dyn Fn(),
) -> anyhow::Result<Vec<RoundRow>> {
    let row = match book.pump(&pump.name) {
        Ok(row) => row,
        Err(BookError::Unknown { .. }) => book.add_pump(&plate(pump))?,
        Err(err) => return Err(err.into()),
    };
    let rounds: Vec<&[&MadeClip]> = made.chunk_by(|a, b| a.plan.round == b.plan.round).collect();
    let mut today = Vec::new();
    for (round, days) in rounds.iter().zip((0..rounds.len()).rev()) {
        let days = u32::try_from(days).unwrap_or(u32::MAX);
        let at = now
            .checked_sub(DAY * days)
            .and_then(Stamp::of_system_time)
            .context("the clock of this computer is wrong")?;
        let round_row = round_of(book, &row, round, clips, &at)?;
        for clip in *round {
            let spot = book.spot(&row, clip.plan.spec.module, None)?;
            // The second channel of such a clip.
            let pulse = clip.plan.spec.pulse.then_some(2);
            book.add_clip(&round_row, &spot, &NewClip { path: &clips.join(&clip.plan.file), taken_at: &at, pulse })?;
            step();
        }
        if round_row.closed_at.is_none() {
            book.change_round(round_row.id, &RoundChange::default(), true)?;
        }
        if round[0].plan.role == Role::Good {
            book.accept(&round_row, &[], CREW)?;
        } else {
            today.push(book.round(round_row.id)?);
        }
    }
    Ok(today)
}

/// A made-up plate: the scenario tells only what is heard.
fn plate(pump: &Pump) -> NewPump {
    let liner = LinerRating { bore_m: 0.160, rating_pa: bar_to_pa(260.0) };
    NewPump {
        name: pump.name.clone(),
        order: pump.order.clone(),
        stroke_m: 0.300,
        rod_m: None,
        gear_ratio: None,
        rod_load_n: None,
        liners: vec![liner],
        liner_m: Some(liner.bore_m),
        units: UnitSystem::Si,
    }
}

/// The round into which an earlier run took one of these clips, else a new one.
fn round_of(book: &mut Book, pump: &PumpRow, made: &[&MadeClip], clips: &Path, at: &Stamp) -> anyhow::Result<RoundRow> {
    for clip in made {
        // One that can't be read is told when it is to be taken in.
        if let Ok((_, Some(known))) = book.known_clip(&clips.join(&clip.plan.file)) {
            return Ok(book.round(known.round)?);
        }
    }
    let plan = &made[0].plan;
    let point = RoundChange {
        spm: Some((plan.console_spm * 10.0).round() / 10.0),
        pressure_pa: Some(bar_to_pa(plan.pressure)),
        mud_kg_m3: None,
        crew: Some(CREW.into()),
        remarks: Some(MADE_UP.into()),
    };
    Ok(book.start_round(pump, &NewRound { at: Some(at.clone()), point })?)
}

/// Where the note lies, and what to try on the book next, as it has to be typed.
fn tell(dir: &Path, place: &Path, verdicts: &[RoundVerdict], tour: &str, io: &mut Io<'_>) -> anyhow::Result<()> {
    let note = dir.join("handover.html");
    let note = note.canonicalize().unwrap_or(note);
    let program = std::env::args_os().next().map_or_else(|| PathBuf::from("seatsong"), PathBuf::from);
    let (program, place, sound) = (quoted(&program), quoted(place), quoted(&dir.join("sound")));
    let mut clips = verdicts.iter().flat_map(|v| v.clips.iter().map(move |clip| (&v.pump.data.name, clip)));
    let departed = clips.find(|(_, clip)| clip.verdict == State::Departed);
    writeln!(io.out, "The handover note: {} (beside it as handover.pdf and handover.txt)", note.display())?;
    writeln!(io.out, "\nTry next, on the demo's book:")?;
    if let Some((pump, clip)) = departed {
        let picture = quoted(&dir.join(format!("{pump}.png")));
        writeln!(io.out, "  {program} verdict --pump {pump} --picture {picture} --book {place}")?;
        if let Some(module) = clip.module {
            writeln!(io.out, "  {program} handover --tour '{tour}' --audio {module} --out {sound} --book {place}")?;
        }
    }
    writeln!(io.out, "  {program} page --book {place}")?;
    Ok(())
}

/// A path as a shell takes it.
fn quoted(path: &Path) -> String {
    let text = path.display().to_string();
    let plain = |c: char| c.is_alphanumeric() || "/._-+:\\".contains(c);
    if !text.is_empty() && text.chars().all(plain) { text } else { format!("'{}'", text.replace('\'', r"'\''")) }
}

#[cfg(test)]
mod tests {
    use super::*;

    const SMALL: &str = "rig = \"Invented rig\"\nseed = 1\n[recording]\nduration_s = 0.5\nsample_rate_hz = 8000.0\n\
        [[pump]]\nname = \"pumpA\"\nseed = 2\nnominal_spm = 70.0\n[[pump.round]]\n[[pump.round]]\nrole = \"now\"\n";

    #[test]
    fn what_an_interrupted_demo_has_taken_in_is_gone_on_with() {
        let dir = tempfile::tempdir().unwrap();
        let (clips, place) = (dir.path().join("clips"), dir.path().join("book"));
        assert!(own_book(&place).unwrap().is_none());
        let scenario = Scenario::parse(SMALL, Path::new("small")).unwrap();
        let made = scenario.make(&clips, &|| ()).unwrap();
        let made: Vec<&MadeClip> = made.iter().collect();
        let mut book = Book::create(&place).unwrap();
        assert!(own_book(&place).is_err(), "nothing says yet that it is the demo's");
        let mut walk = || {
            let today = walk(&mut book, &scenario.pumps[0], (&made, &clips), SystemTime::now(), &|| ());
            let holds = book.overview().unwrap();
            (today, holds.rounds, holds.clips)
        };
        let last = clips.join("pumpA/round-01/m3.wav");
        std::fs::rename(&last, dir.path().join("aside.wav")).unwrap();
        let (today, rounds, n_clips) = walk();
        assert!(today.is_err() && (rounds, n_clips) == (1, 2));
        std::fs::rename(dir.path().join("aside.wav"), &last).unwrap();
        for _ in 0..2 {
            let (today, rounds, n_clips) = walk();
            assert_eq!((today.unwrap().len(), rounds, n_clips), (1, 2, 6));
        }
        let pump = book.pump("pumpA").unwrap();
        assert_eq!([1, 2, 3].map(|m| book.good_rounds(&pump, m).unwrap().len()), [1; 3]);
        drop(book);
        assert!(own_book(&place).unwrap().is_some());
    }

    #[test]
    fn a_path_is_shown_as_a_shell_takes_it() {
        for (path, shown) in
            [("a/b-1.c", "a/b-1.c"), ("my rig", "'my rig'"), ("rig's", r"'rig'\''s'"), ("$HOME", "'$HOME'")]
        {
            assert_eq!(quoted(Path::new(path)), shown);
        }
    }
}
