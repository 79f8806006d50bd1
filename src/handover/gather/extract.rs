//! A short sound of a change for the note: a good run and now, from the book's own recordings.

use jiff::Timestamp;

use crate::book::{Book, BookError, RoundRow, refused};
use crate::handover::Handover;
use crate::report::hear::{HearSettings, USUAL_STROKES};
use crate::score::{ClipVerdict, State};
use crate::tour::Tour;

/// Puts a short sound of what changed to every departed module of a note.
///
/// # Arguments
/// - `only`: that module alone; `None` for all that departed.
///
/// # Returns
/// What could not be made audible, and why: a note without a sound is still a note.
///
/// # Errors
/// What the disk or the database says.
pub fn add_sounds(
    book: &mut Book,
    note: &mut Handover,
    tour: &Tour,
    at: Timestamp,
    only: Option<u32>,
) -> Result<Vec<String>, BookError> {
    let mut silent = Vec::new();
    for pump in book.pumps()? {
        let Some(part) = note.pumps.iter_mut().find(|p| p.name == pump.data.name) else { continue };
        let Some(round) = book.tour_round(&pump, tour, at)? else { continue };
        for m in part.modules.iter_mut().filter(|m| m.verdict.verdict == State::Departed) {
            let Some(module) = m.verdict.module.filter(|n| only.is_none_or(|o| o == *n)) else { continue };
            match change_sound(book, &round, &m.verdict) {
                Ok(wav) => m.sound = Some(wav),
                Err(why) => silent.push(format!("{}, module {module}: {why}", pump.data.name)),
            }
        }
    }
    Ok(silent)
}

/// The WAV of the recording that a verdict is of, beside its good run of the nearest speed.
fn change_sound(book: &mut Book, round: &RoundRow, verdict: &ClipVerdict) -> Result<Vec<u8>, BookError> {
    let clips = book.clips(round.id)?;
    let clip = clips.iter().find(|c| c.file == verdict.file);
    let clip = clip.ok_or_else(|| refused("its recording is no longer in the round"))?;
    let settings = HearSettings {
        band_hz: verdict.band_hz.ok_or_else(|| refused("the change has no band of its own"))?,
        arc_deg: verdict.arc_deg.unwrap_or([0.0, 360.0]),
        strokes: USUAL_STROKES,
    };
    book.hearing(round, clip)?.extract(&settings)?.small_wav().map_err(|e| refused(e.to_string()))
}
