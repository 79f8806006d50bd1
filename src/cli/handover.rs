//! `seatsong handover`: the note of a tour.

use std::path::PathBuf;
use std::process::ExitCode;

use clap::Args;
use serde_json::json;

use super::book::BookArg;
use super::tour_args::{self, WhenArgs};
use super::{Io, Usage};
use crate::report::handover::{first_steps, html, pdf, sign, text};
use crate::report::write_file;

/// Write the handover note of a tour: HTML for phone and paper, PDF, plain text; sign it, amend it
///
/// A signed note is frozen: the book keeps its bytes and their fingerprint, and later corrections are amendments that show.
#[derive(Debug, Clone, Args)]
#[command(after_help = "Examples:
  seatsong handover                        as it stands, on the screen
  seatsong handover --out handover/        handover.html, handover.pdf, handover.txt
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
    /// Take over: shown on the signed note
    #[arg(long, conflicts_with = "amend")]
    receive: bool,
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
        book.amend_note(&tour, &format!("Taken over by {by}."), by, at)?;
    }
    if let Some(words) = &args.amend {
        book.amend_note(&tour, words, by, at)?;
    }
    if args.sign && book.note(&tour)?.is_some() {
        return Err(Usage("the note of this tour is signed and frozen; correct it with --amend".into()).into());
    }
    if let Some(note) = book.note(&tour)? {
        let amendments: Vec<sign::Amendment> = note
            .amendments
            .iter()
            .map(|a| {
                let when = a.when.parse().map_or_else(|_| a.when.clone(), |t| sheet.plan.date_time(t));
                sign::Amendment { when, ..a.clone() }
            })
            .collect();
        let page = sign::amended(&note.html, &note.sha256, &amendments)?;
        let path = args.out.as_ref().map(|dir| dir.join("handover.html"));
        if let Some(path) = &path {
            save(path, page.as_bytes())?;
        }
        if args.json {
            io.json(&json!({
                "schema": "seatsong.handover/1", "tour": [tour.start, tour.end], "signed": true, "giver": note.giver,
                "sha256": note.sha256, "amendments": amendments.iter().map(|a| json!({"at": a.when, "by": a.by, "text": a.text})).collect::<Vec<_>>(),
            }))?;
            return Ok(ExitCode::SUCCESS);
        }
        writeln!(io.out, "Signed by {}, fingerprint {}.", note.giver, note.sha256)?;
        for a in &amendments {
            writeln!(io.out, "Amended {}, {}: {}", a.when, a.by, a.text)?;
        }
        match path {
            Some(path) => io.say(&format!("{}: the signed note with its amendments", path.display()))?,
            None => io.say("--out DIR writes the signed note with its amendments")?,
        }
        return Ok(ExitCode::SUCCESS);
    }
    let bar = io.progress(0, "stroke maps");
    let note = book.handover(&args.rig, &tour, seen_at, &|| bar.inc(1));
    bar.finish_and_clear();
    let mut note = note?;
    if args.sign {
        note.sign_off.giver = Some(format!("{by}, {}", sheet.plan.date_time(at)));
    }
    let page = html(&note);
    if let Some(dir) = &args.out {
        save(&dir.join("handover.html"), page.as_bytes())?;
        save(&dir.join("handover.pdf"), &pdf(&note)?)?;
        save(&dir.join("handover.txt"), text(&note).as_bytes())?;
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

fn save(path: &std::path::Path, bytes: &[u8]) -> anyhow::Result<()> {
    if let Some(dir) = path.parent() {
        std::fs::create_dir_all(dir)?;
    }
    Ok(write_file(path, bytes)?)
}
