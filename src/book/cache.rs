//! Each recording's analysis: made once, kept by the version of the method, made again when the method changes.

use rayon::prelude::*;
use rusqlite::{OptionalExtension as _, params};

use super::error::db;
use super::{Book, BookError, CaptureRow, ClipRow, Stamp, blob};
use crate::clip::{self, Code, Finding, ReadSettings};
use crate::map::{AnalyseSettings, Analysis, analyse, rate_too_low};
use crate::stroke::MarkKind;

/// Version of what `clip/`, `stroke/` and `map/` make of a recording. Raise it with every change there that changes a stroke map: those
/// that a command needs are then made again at once, the rest little by little ([`Book::refresh`]). A test holds the maps of a fixed clip against it.
pub const METHOD: i64 = 3;

/// A recording that has to be analysed.
struct Todo {
    /// Its place among those wanted.
    at: usize,
    path: Result<std::path::PathBuf, BookError>,
    capture: Option<CaptureRow>,
    taps_s: Option<Vec<f64>>,
}

/// A recording and the console reading that narrows the search for its rhythm.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Wanted {
    pub clip: ClipRow,
    pub hint_spm: Option<f64>,
}

fn same_hint(a: Option<f64>, b: Option<f64>) -> bool {
    a.map(f64::to_bits) == b.map(f64::to_bits)
}

impl Book {
    fn stored(&self, wanted: &Wanted) -> Result<Option<Analysis>, BookError> {
        let doing = db("read a stroke map");
        let mut rows = self
            .conn
            .prepare_cached("SELECT hint_spm, data FROM analysis WHERE clip_id = ?1 AND method = ?2")
            .map_err(&doing)?;
        let found: Option<(Option<f64>, Vec<u8>)> = rows
            .query_row(params![wanted.clip.id, METHOD], |r| Ok((r.get(0)?, r.get(1)?)))
            .optional()
            .map_err(&doing)?;
        // A map that can't be read is made again, and one from before recordings of such a rate were refused.
        let found =
            found.filter(|(hint, _)| same_hint(*hint, wanted.hint_spm)).and_then(|(_, data)| blob::decode(&data).ok());
        let known = found.filter(|a| a.refusal().is_some() || rate_too_low(a.sample_rate_hz).is_none());
        Ok(known.map(|mut analysis| {
            // Maps that were kept before marks had a kind: without a pulse channel a crank zero can only be from taps.
            if wanted.clip.pulse.is_none() {
                for mark in analysis.takes.iter_mut().filter_map(|t| t.mark.as_mut()) {
                    mark.kind = MarkKind::Taps;
                }
            }
            analysis
        }))
    }

    /// How many of the recordings have no map of this method yet.
    pub(super) fn n_missing(&self, wanted: &[Wanted]) -> Result<usize, BookError> {
        let mut n = 0;
        let doing = db("look for stroke maps");
        let mut rows = self
            .conn
            .prepare_cached("SELECT hint_spm FROM analysis WHERE clip_id = ?1 AND method = ?2")
            .map_err(&doing)?;
        for w in wanted {
            let hint: Option<Option<f64>> =
                rows.query_row(params![w.clip.id, METHOD], |r| r.get(0)).optional().map_err(&doing)?;
            n += usize::from(!hint.is_some_and(|h| same_hint(h, w.hint_spm)));
        }
        Ok(n)
    }

    /// What the recordings gave, from the book where it is known, else made now (in parallel) and kept.
    ///
    /// A recording that is lost, can't be read, or whose name leads out of the book gives an analysis without a rhythm whose finding says so.
    ///
    /// # Arguments
    /// - `step`: called after each recording that had to be analysed.
    pub(super) fn analyses(&mut self, wanted: &[Wanted], step: &(dyn Fn() + Sync)) -> Result<Vec<Analysis>, BookError> {
        let mut out: Vec<Option<Analysis>> = wanted.iter().map(|w| self.stored(w)).collect::<Result<_, _>>()?;
        let mut todo = Vec::new();
        for at in (0..wanted.len()).filter(|&i| out[i].is_none()) {
            let clip = &wanted[at].clip;
            let (capture, taps_s) = (self.capture(clip.id)?, self.taps(clip.id)?);
            todo.push(Todo { at, path: self.clip_path(clip), capture, taps_s });
        }
        // A few at a time, so that what was made is kept even if the rest is interrupted.
        for part in todo.chunks(16) {
            let made: Vec<(usize, Option<Vec<u8>>, Analysis)> = part
                .par_iter()
                .map(|Todo { at, path, capture, taps_s }| {
                    let w = &wanted[*at];
                    let settings = ReadSettings { pulse: w.clip.pulse, ..ReadSettings::default() };
                    let taps_s = taps_s.clone();
                    let wish = AnalyseSettings { hint_spm: w.hint_spm, taps_s, ..AnalyseSettings::default() };
                    let sound = path.as_ref().map_err(ToString::to_string);
                    let sound = sound.and_then(|path| clip::read(path, &settings).map_err(|e| e.to_string()));
                    let made = match sound {
                        // What the book gives is always what the book keeps: the same verdict now and later.
                        Ok(mut clip) => {
                            clip.findings.extend(capture.iter().flat_map(CaptureRow::findings));
                            let bytes = blob::encode(&analyse(&clip, &wish));
                            let again = blob::decode(&bytes).unwrap_or_else(|e| unreadable(&e.to_string()));
                            (*at, Some(bytes), again)
                        }
                        Err(why) => (*at, None, unreadable(&why)),
                    };
                    step();
                    made
                })
                .collect();
            self.whole("keep the stroke maps", |tx| {
                let now = Stamp::now().text;
                for (i, bytes, _) in &made {
                    let Some(bytes) = bytes else { continue };
                    tx.execute(
                        "INSERT OR REPLACE INTO analysis (clip_id, method, hint_spm, data, made_at) VALUES (?1, ?2, ?3, ?4, ?5)",
                        params![wanted[*i].clip.id, METHOD, wanted[*i].hint_spm, bytes, now],
                    )
                    .map_err(db("keep a stroke map"))?;
                    tx.execute("DELETE FROM to_analyse WHERE clip_id = ?1", [wanted[*i].clip.id])
                        .map_err(db("keep a stroke map"))?;
                }
                Ok(())
            })?;
            for (i, _, analysis) in made {
                out[i] = Some(analysis);
            }
        }
        Ok(out.into_iter().map(|a| a.unwrap_or_else(|| unreadable("it was not analysed"))).collect())
    }
}

/// Of a recording that can't be read.
pub(crate) fn unreadable(why: &str) -> Analysis {
    Analysis {
        takes: Vec::new(),
        level_db: crate::units::FLOOR_DB,
        sample_rate_hz: 0.0,
        first_centre_s: 0.0,
        findings: vec![Finding::refuse(
            Code::CutOff,
            format!("the recording can't be used: {why}; record this spot again"),
        )],
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::clip::Clip;
    use crate::dsp::bands::N_BAND;
    use crate::sample::{ClipSpec, Room, RoomSettings};

    /// Some cells in dB of the fixed clip's map, and its speed, as `METHOD` makes them. No checksum: the last digits differ from
    /// processor to processor.
    const METHOD_THEN: i64 = 3;
    const CELLS_DB: [f64; 12] =
        [-34.713, -34.371, -36.437, -43.253, -43.828, -42.946, -44.466, -41.856, -41.487, -40.710, -45.390, -48.153];
    const SPM: f64 = 69.9602;

    #[test]
    fn the_version_of_the_method_is_raised_when_a_map_changes() {
        let room = Room::new(5, &RoomSettings::drawn(5)).unwrap();
        let spec = ClipSpec { duration_s: 12.0, sample_rate_hz: 16_000.0, seed: 3, ..ClipSpec::default() };
        let made = room.record(&spec).unwrap();
        let clip = Clip::in_memory("made-up.wav", made.samples, made.sample_rate_hz, made.pulse);
        let analysis = analyse(&clip, &AnalyseSettings::default());
        let take = &analysis.takes[0];
        let cells: Vec<f64> =
            (0..12).map(|k| 10.0 * f64::from(take.map.power[12 * k * N_BAND + 2 * k]).log10()).collect();
        let same =
            cells.iter().zip(CELLS_DB).all(|(c, then)| (c - then).abs() < 0.02) && (take.spm - SPM).abs() < 0.005;
        assert!(
            METHOD == METHOD_THEN && same,
            "the method makes another map of the same clip: raise METHOD (or the made-up room changed: only then keep it) and \
             enter what it makes now: {METHOD} {cells:.3?} {:.4}",
            take.spm
        );
    }
}
