//! A change to be heard: a module's recording and its good run, on one angle and gain.

use super::baseline::in_site_unit;
use super::cache::Wanted;
use super::error::refused;
use super::{Book, BookError, ClipRow, RoundRow};
use crate::clip::{self, ReadSettings};
use crate::map::{AnalyseSettings, analyse};
use crate::report::hear::{HearInput, HearSettings, Heard, extract, hear};
use crate::report::view;
use crate::score::{Item, JudgeSettings, judge_all};

/// A recording with the crank angle of each sample.
#[derive(Debug, Clone)]
struct Side {
    samples: Vec<f32>,
    rate_hz: f64,
    angle_deg: Vec<f32>,
    gain_db: f64,
}

impl Side {
    fn input(&self) -> HearInput<'_> {
        let Self { samples, rate_hz, angle_deg, gain_db } = self;
        HearInput { samples, rate_hz: *rate_hz, angle_deg, gain_db: *gain_db }
    }
}

/// A recording of a round beside the accepted run of the nearest speed, to be heard in any band and arc.
#[derive(Debug, Clone)]
pub struct Hearing {
    good: Side,
    now: Side,
}

impl Hearing {
    /// Healthy and now in turn, the rest turned down, at equal gain.
    ///
    /// # Errors
    /// [`BookError::Refused`] if there is nothing to hear in such a band.
    pub fn heard(&self, settings: &HearSettings) -> Result<Heard, BookError> {
        hear(&self.good.input(), &self.now.input(), settings).map_err(|e| refused(e.to_string()))
    }

    /// The same, short enough to be put into a note.
    ///
    /// # Errors
    /// As [`Self::heard`].
    pub fn extract(&self, settings: &HearSettings) -> Result<Heard, BookError> {
        extract(&self.good.input(), &self.now.input(), settings).map_err(|e| refused(e.to_string()))
    }
}

impl Book {
    /// Puts a recording of a round beside the accepted run of its spot whose speed is nearest.
    ///
    /// # Errors
    /// [`BookError::Refused`] without enough accepted runs or a stroke; what the disk or the database says.
    pub fn hearing(&mut self, round: &RoundRow, now_clip: &ClipRow) -> Result<Hearing, BookError> {
        let pump = self.pump_by_id(round.pump_id)?;
        let wanted = Wanted { clip: now_clip.clone(), hint_spm: round.spm };
        let analysis = self.analyses(&[wanted], &|| ())?.pop().ok_or_else(|| refused("it could not be analysed"))?;
        let own = round.id.to_string();
        let now = Item {
            file: now_clip.file.clone(),
            module: Some(now_clip.module),
            round: Some(own.clone()),
            console_spm: round.spm,
            pressure: round.pressure_pa.filter(|p| *p > 0.0).map(|p| in_site_unit(p, pump.data.units)),
            analysis,
        };
        // A round is not its own measure.
        let (mut goods, _) = self.good_items(&pump, &now_clip.spot, &|| ())?;
        goods.retain(|g| g.round.as_deref() != Some(&own));
        let spm = |i: &Item| i.analysis.takes.first().map(|t| t.spm);
        let off = |i: &Item| spm(i).zip(spm(&now)).map_or(f64::INFINITY, |(a, b)| (a - b).abs());
        let good = goods
            .iter()
            .filter(|g| g.module == Some(now_clip.module))
            .min_by(|a, b| off(a).total_cmp(&off(b)))
            .ok_or_else(|| refused("there is no accepted good run of it to compare with"))?
            .clone();
        // The good recording is judged too, only to learn its angle.
        let settings = JudgeSettings { order: pump.data.order.clone(), ..JudgeSettings::default() };
        let nows = [now, good.clone()];
        let outcome = judge_all(&goods, &nows, &settings).map_err(|e| refused(e.to_string()))?;
        let zero = |k: usize| {
            outcome.zero_turns.get(k).copied().flatten().ok_or_else(|| refused("its crank angle is not known"))
        };
        let gain = |k: usize| -outcome.clips.get(k).and_then(|c| c.level_db).unwrap_or(0.0);
        let good_round: i64 = good.round.as_deref().and_then(|r| r.parse().ok()).unwrap_or(0);
        let good_clip = self.clips(good_round)?.into_iter().find(|c| c.file == good.file);
        let good_clip = good_clip.ok_or_else(|| refused(format!("{}: is no longer in the book", good.file)))?;
        Ok(Hearing {
            good: self.side(&good_clip, good.console_spm, zero(1)?, gain(1))?,
            now: self.side(now_clip, round.spm, zero(0)?, gain(0))?,
        })
    }

    /// Reads a recording again, this time with its phase.
    fn side(
        &self,
        clip: &ClipRow,
        hint_spm: Option<f64>,
        (take, zero_turns): (usize, f64),
        gain_db: f64,
    ) -> Result<Side, BookError> {
        let read = ReadSettings { pulse: clip.pulse, ..ReadSettings::default() };
        let sound = clip::read(&self.clip_path(clip)?, &read).map_err(|e| refused(e.to_string()))?;
        let taps_s = self.taps(clip.id)?;
        let wish = AnalyseSettings { hint_spm, taps_s, keep_phase: true, ..AnalyseSettings::default() };
        let analysis = analyse(&sound, &wish);
        let phase = analysis.takes.get(take).and_then(|t| t.phase.as_ref());
        let phase = phase.ok_or_else(|| refused(format!("{}: no stroke rhythm found", clip.file)))?;
        let n = sound.samples.len();
        let angle_deg = view::angle_deg(phase, zero_turns, analysis.first_centre_s, sound.sample_rate_hz, n);
        Ok(Side { samples: sound.samples, rate_hz: sound.sample_rate_hz, angle_deg, gain_db })
    }
}
