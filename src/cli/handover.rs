//! `seatsong handover`: the note of a tour.

use std::path::{Path, PathBuf};
use std::process::ExitCode;

use clap::Args;
use jiff::Timestamp;
use serde_json::json;

use super::book::BookArg;
use super::tour_args::{self, WhenArgs};
use super::{Io, Usage};
use crate::book::{Book, NoteRow};
use crate::handover::{Handover, add_sounds, first_steps, gather, html, pdf, sign, text};
use crate::report::write_file;
use crate::tour::{Sheet, Tour};

/// Write the handover note of a tour: HTML for phone and paper, PDF, plain text; sign it, amend it
///
/// A signed note is frozen: the book keeps its bytes and their fingerprint, and later corrections are amendments that show.
#[derive(Debug, Clone, Args)]
#[command(after_help = "Examples:
  seatsong handover                        as it stands, on the screen
  seatsong handover --out handover/        handover.html, handover.pdf, handover.txt
  seatsong handover --audio --out handover/     with a short sound of what departed
  seatsong handover --sign --by derrickman --out handover/
  seatsong handover --tour last --receive --by 'relief derrickman'
  seatsong handover --tour last --amend 'relief valve was set to 290 bar' --by toolpusher --out handover/")]
pub struct HandoverArgs {
    /// now, last, or a time in the tour
    #[arg(long, value_name = "TOUR", default_value = "now")]
    tour: String,
    /// Name of the rig for the head of the note
    #[arg(long, value_name = "NAME", default_value = "our rig")]
    rig: String,
    /// Folder for handover.html, handover.pdf and handover.txt
    #[arg(long, value_name = "DIR")]
    out: Option<PathBuf>,
    /// Sign: the note is frozen
    #[arg(long, conflicts_with_all = ["receive", "amend"])]
    sign: bool,
    /// Take over: a signature of its own on the signed note
    #[arg(long, conflicts_with = "amend")]
    receive: bool,
    /// What the receiver adds when taking over
    #[arg(long, value_name = "TEXT", requires = "receive")]
    remark: Option<String>,
    /// Put a short sound of each departed module, or of module N, into the note and beside it [needs --out]
    #[arg(long, value_name = "N", num_args = 0..=1, default_missing_value = "0", value_parser = clap::value_parser!(u32))]
    audio: Option<u32>,
    /// Correct a signed note; the correction shows
    #[arg(long, value_name = "TEXT")]
    amend: Option<String>,
    #[command(flatten)]
    when: WhenArgs,
    /// Print JSON instead of the text
    #[arg(long)]
    json: bool,
    #[command(flatten)]
    place: BookArg,
}

/// Runs the command.
///
/// # Errors
/// No book, a note that is signed already or not yet, files that can't be written.
pub fn run(args: &HandoverArgs, io: &mut Io<'_>) -> anyhow::Result<ExitCode> {
    let mut book = args.place.open()?;
    let (sheet, _) = book.sheet()?;
    let at = args.when.instant(&sheet)?;
    let (tour, seen_at) = tour_args::tour(&args.tour, at, &sheet)?;
    let by = args.when.by.trim();
    if args.receive {
        book.take_over(&tour, by, args.remark.as_deref().unwrap_or_default(), at)?;
    }
    if let Some(words) = &args.amend {
        book.amend_note(&tour, words, by, at)?;
    }
    if args.sign && book.note(&tour)?.is_some() {
        return Err(Usage("the note of this tour is signed and frozen; correct it with --amend".into()).into());
    }
    let frozen = book.note(&tour)?;
    if let Some(row) = &frozen {
        signed(args, row, &sheet, &tour, io)?;
        if args.audio.is_none() {
            return Ok(ExitCode::SUCCESS);
        }
    }
    let bar = io.progress(0, "stroke maps");
    let note = gather(&mut book, &args.rig, &tour, seen_at, &|| bar.inc(1));
    bar.finish_and_clear();
    let mut note = note?;
    if let Some(which) = args.audio {
        sounds(args, &mut book, &mut note, (&tour, seen_at), (which > 0).then_some(which), io)?;
    }
    if frozen.is_some() {
        return Ok(ExitCode::SUCCESS);
    }
    if args.sign {
        note.sign_off.giver = Some(format!("{by}, {}", sheet.plan.date_time(at)));
    }
    let page = html(&note);
    if let Some(dir) = &args.out {
        write_note(dir, &note, &page)?;
        io.say(&format!("{}: handover.html, handover.pdf, handover.txt", dir.display()))?;
    }
    // What is frozen has been written first: a full disk leaves nothing signed that nobody can read.
    let sum = if args.sign { Some(book.sign_note(&tour, &page, by, at)?) } else { None };
    if args.json {
        io.json(&json!({
            "schema": "seatsong.handover/1", "tour": [tour.start, tour.end], "signed": args.sign, "sha256": sum,
            "first": first_steps(&note),
        }))?;
    } else {
        write!(io.out, "{}", text(&note))?;
        if let Some(sum) = sum {
            writeln!(io.out, "Signed by {by}, fingerprint {sum}.")?;
        }
    }
    Ok(ExitCode::SUCCESS)
}

/// Shows a signed note: its bytes with both signatures and the amendments at their top.
fn signed(args: &HandoverArgs, row: &NoteRow, sheet: &Sheet, tour: &Tour, io: &mut Io<'_>) -> anyhow::Result<()> {
    let what = sign::signed(row, &sheet.plan);
    let page = sign::shown(&row.html, &what)?;
    let path = args.out.as_ref().map(|dir| dir.join("handover.html"));
    if let Some(path) = &path {
        save(path, page.as_bytes())?;
    }
    if args.json {
        let amendments: Vec<_> =
            row.amendments.iter().map(|a| json!({"at": a.when, "by": a.by, "text": a.text})).collect();
        let taken =
            row.taken.as_ref().map(|t| json!({"by": t.by, "at": t.when, "sha256": t.sha256, "remark": t.remark}));
        return io.json(&json!({
            "schema": "seatsong.handover/1", "tour": [tour.start, tour.end], "signed": true, "giver": row.giver,
            "given_at": row.given_at, "sha256": row.sha256, "taken_over": taken, "amendments": amendments,
        }));
    }
    writeln!(io.out, "Handed over by {}.", what.giver)?;
    match &what.taken {
        Some(t) => writeln!(io.out, "Taken over by {}, {}.", t.by, t.when)?,
        None => writeln!(io.out, "Taken over by nobody yet: seatsong handover --receive --by 'relief derrickman'")?,
    }
    writeln!(io.out, "Fingerprint {}.", what.sha256)?;
    for a in &what.amendments {
        writeln!(io.out, "Amended {}, {}: {}", a.when, a.by, a.text)?;
    }
    match path {
        Some(path) => io.say(&format!("{}: the signed note with its signatures and amendments", path.display()))?,
        None => io.say("--out DIR writes the signed note with its signatures and amendments")?,
    }
    Ok(())
}

/// Makes the changes of the departed modules audible: in the note, and beside it as files.
fn sounds(
    args: &HandoverArgs,
    book: &mut Book,
    note: &mut Handover,
    (tour, at): (&Tour, Timestamp),
    only: Option<u32>,
    io: &mut Io<'_>,
) -> anyhow::Result<()> {
    let Some(dir) = &args.out else {
        return Err(Usage("--audio puts sounds into the note's files: say where with --out DIR".into()).into());
    };
    for why in add_sounds(book, note, tour, at, only)? {
        io.say(&format!("no sound of {why}"))?;
    }
    let mut n = 0;
    for pump in &note.pumps {
        for m in &pump.modules {
            let (Some(wav), Some(module)) = (&m.sound, m.verdict.module) else { continue };
            let plain: String =
                pump.name.chars().map(|c| if c.is_ascii_alphanumeric() || c == '-' { c } else { '_' }).collect();
            let path = dir.join(format!("{plain}-module-{module}.wav"));
            save(&path, wav)?;
            io.say(&format!("{}: a good run after one low beep, now after two high ones", path.display()))?;
            n += 1;
        }
    }
    if n == 0 {
        io.say("no departed module of this tour has a change to be heard")?;
    }
    Ok(())
}

/// Writes a note that is not signed yet: `handover.html` (its page), `handover.pdf` and `handover.txt`.
pub(super) fn write_note(dir: &Path, note: &Handover, page: &str) -> anyhow::Result<()> {
    save(&dir.join("handover.html"), page.as_bytes())?;
    save(&dir.join("handover.pdf"), &pdf(note)?)?;
    save(&dir.join("handover.txt"), text(note).as_bytes())
}

fn save(path: &Path, bytes: &[u8]) -> anyhow::Result<()> {
    if let Some(dir) = path.parent() {
        std::fs::create_dir_all(dir)?;
    }
    Ok(write_file(path, bytes)?)
}
