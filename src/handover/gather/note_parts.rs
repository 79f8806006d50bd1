//! Parts of a handover note that have a picture of their own: how the modules go over the rounds, and the tour's photos.

use jiff::Timestamp;

use crate::book::{Book, BookError, CheckRow, PumpRow, refused};
use crate::handover::{Drift, Photo};
use crate::report::photo::small_jpeg;
use crate::report::trend::note_trend_png;
use crate::report::words;
use crate::score::trend::{TrendSettings, TrendState, trend};
use crate::score::{ClipVerdict, State};
use crate::tour::{Sheet, Tour};

/// Days of a trend's picture: what a crew remembers and what a seal lasts.
const DAYS_SHOWN: f64 = 30.0;

/// Most photos that a note shows of a pump; with more the file no longer goes through an e-mail.
const MOST_PHOTOS: usize = 6;

/// Modules that creep, have risen or are odd now, worst first; the worst with its picture.
pub(super) fn drifts(
    book: &Book,
    pump: &PumpRow,
    verdicts: &[ClipVerdict],
    at: Timestamp,
) -> Result<Vec<Drift>, BookError> {
    let mut out: Vec<Drift> = Vec::new();
    let order = words::worst_first(verdicts).into_iter().filter_map(|k| verdicts.get(k));
    // A module that was not heard in this tour may creep all the same.
    let heard: Vec<u32> = order.clone().filter_map(|v| v.module).collect();
    let others = pump.modules().into_iter().filter(|m| !heard.contains(m)).map(|m| (m, false));
    let odd = |v: &ClipVerdict| matches!(v.verdict, State::Departed | State::Drifting);
    for (module, odd) in order.filter_map(|v| Some((v.module?, odd(v)))).chain(others) {
        let mut input = book.trend_input(pump, module)?;
        input.rounds.retain(|r| r.time_s <= at.as_second());
        input.marks.retain(|m| m.time_s <= at.as_second());
        let t = trend(&input, &TrendSettings::default());
        let moves = matches!(t.state, TrendState::Creeping | TrendState::Raised | TrendState::Beyond);
        if !(moves || (odd && t.state != TrendState::Few)) {
            continue;
        }
        let picture = if out.iter().all(|d| d.picture.is_none()) {
            Some(note_trend_png(&t, Some(DAYS_SHOWN)).map_err(|e| refused(e.to_string()))?)
        } else {
            None
        };
        out.push(Drift { sentence: t.sentence, picture });
    }
    Ok(out)
}

/// Photos that were entered with checks and parts of a tour, oldest first; small ones of the first few.
pub(super) fn tour_photos(
    book: &Book,
    pump: &PumpRow,
    sheet: &Sheet,
    tour: &Tour,
    at: Timestamp,
    rows: &[CheckRow],
) -> Result<Vec<Photo>, BookError> {
    let mut named: Vec<(Timestamp, String, String)> = Vec::new();
    for row in rows.iter().filter(|r| tour.holds(r.at) && r.at <= at) {
        for a in row.answers.iter().filter(|a| a.kind == "photo") {
            let module = row.module.map_or(String::new(), |m| format!(", module {m}"));
            let what = format!("{}{module}, {} ({})", row.check.replace('-', " "), sheet.plan.clock(row.at), row.by);
            named.push((row.at, what, a.words.clone()));
        }
    }
    for row in book.parts(pump)?.into_iter().filter(|r| !r.photo.is_empty()) {
        let Some((gone, why)) = row.part.out.filter(|(t, _)| tour.holds(*t) && *t <= at) else { continue };
        let place = row.part.place.words();
        let look = if row.condition.is_empty() { String::new() } else { format!(" ({})", row.condition) };
        named.push((gone, format!("{place}, {}{look}, {}", why.as_str(), sheet.plan.clock(gone)), row.photo));
    }
    named.sort_by_key(|n| n.0);
    let shown = |(k, (_, what, file)): (usize, (Timestamp, String, String))| {
        // The words say why a reader sees none: never silently.
        let path = match book.photo_path(&file) {
            Err(BookError::Outside { .. }) => {
                let what = format!("{what}; not shown: its name leads out of the book");
                return Ok(Photo { what, file: String::new(), jpeg: None });
            }
            path => path?,
        };
        let read = (k < MOST_PHOTOS).then(|| std::fs::read(&path).ok().and_then(|bytes| small_jpeg(&bytes).ok()));
        let jpeg = read.flatten();
        let what = match (&jpeg, path.is_file()) {
            (Some(_), _) => what,
            (None, false) => format!("{what}; its file is missing"),
            (None, true) => format!("{what}; not shown here"),
        };
        Ok(Photo { what, file, jpeg })
    };
    named.into_iter().enumerate().map(shown).collect()
}
