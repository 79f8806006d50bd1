//! A short sound of a change for the note: a good run and now, from the book's own recordings.

use jiff::Timestamp;

use super::baseline::in_site_unit;
use super::cache::Wanted;
use super::error::refused;
use super::{Book, BookError, ClipRow, PumpRow, RoundRow};
use crate::clip::{self, ReadSettings};
use crate::map::{AnalyseSettings, analyse};
use crate::report::handover::Handover;
use crate::report::hear::{HearInput, HearSettings, USUAL_STROKES, extract};
use crate::report::view;
use crate::score::{Item, JudgeSettings, State, judge_all};
use crate::tour::Tour;

/// A recording with the crank angle of each sample.
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

impl Book {
    /// Puts a short sound of what changed to every departed module of a note.
    ///
    /// # Arguments
    /// - `only`: that module alone; `None` for all that departed.
    /// - `step`: called after each recording that had to be analysed.
    ///
    /// # Returns
    /// What could not be made audible, and why: a note without a sound is still a note.
    ///
    /// # Errors
    /// What the disk or the database says.
    pub fn add_sounds(
        &mut self,
        note: &mut Handover,
        tour: &Tour,
        at: Timestamp,
        only: Option<u32>,
        step: &(dyn Fn() + Sync),
    ) -> Result<Vec<String>, BookError> {
        let mut silent = Vec::new();
        for pump in self.pumps()? {
            let Some(part) = note.pumps.iter_mut().find(|p| p.name == pump.data.name) else { continue };
            let Some(round) = self.tour_round(&pump, tour, at)? else { continue };
            for m in part.modules.iter_mut().filter(|m| m.verdict.verdict == State::Departed) {
                let Some(module) = m.verdict.module.filter(|n| only.is_none_or(|o| o == *n)) else { continue };
                match self.change_sound(&pump, &round, module, &m.verdict.file, step) {
                    Ok(wav) => m.sound = Some(wav),
                    Err(why) => silent.push(format!("{}, module {module}: {why}", pump.data.name)),
                }
            }
        }
        Ok(silent)
    }

    /// The WAV of one module: its good run of the nearest speed, and the round's recording named `named`.
    fn change_sound(
        &mut self,
        pump: &PumpRow,
        round: &RoundRow,
        module: u32,
        named: &str,
        step: &(dyn Fn() + Sync),
    ) -> Result<Vec<u8>, BookError> {
        let clips = self.clips(round.id)?;
        let now_clip = clips
            .iter()
            .find(|c| c.file == named)
            .ok_or_else(|| refused("its recording is no longer in the round"))?
            .clone();
        let analysis = self
            .analyses(&[Wanted { clip: now_clip.clone(), hint_spm: round.spm }], step)?
            .pop()
            .ok_or_else(|| refused("its recording could not be analysed"))?;
        let now = Item {
            file: now_clip.file.clone(),
            module: Some(module),
            round: Some(round.id.to_string()),
            console_spm: round.spm,
            pressure: round.pressure_pa.filter(|p| *p > 0.0).map(|p| in_site_unit(p, pump.data.units)),
            analysis,
        };
        let own = round.id.to_string();
        let (goods, _) = self.good_items(pump, &now_clip.spot, step)?;
        let goods: Vec<Item> = goods.into_iter().filter(|g| g.round.as_deref() != Some(&own)).collect();
        let spm = |i: &Item| i.analysis.takes.first().map(|t| t.spm);
        let off = |i: &Item| spm(i).zip(spm(&now)).map_or(f64::INFINITY, |(a, b)| (a - b).abs());
        let good = goods
            .iter()
            .filter(|g| g.module == Some(module))
            .min_by(|a, b| off(a).total_cmp(&off(b)))
            .ok_or_else(|| refused("there is no accepted good run of it to compare with"))?
            .clone();
        // The good clip is judged too, only to learn its angle.
        let settings = JudgeSettings { order: pump.data.order.clone(), ..JudgeSettings::default() };
        let outcome = judge_all(&goods, &[now.clone(), good.clone()], &settings).map_err(|e| refused(e.to_string()))?;
        let verdict = outcome.clips.first().ok_or_else(|| refused("it could not be judged"))?;
        let zero = |k: usize| {
            outcome.zero_turns.get(k).copied().flatten().ok_or_else(|| refused("its crank angle is not known"))
        };
        let gain = |k: usize| -outcome.clips.get(k).and_then(|c| c.level_db).unwrap_or(0.0);
        let settings = HearSettings {
            band_hz: verdict.band_hz.ok_or_else(|| refused("the change has no band of its own"))?,
            arc_deg: verdict.arc_deg.unwrap_or([0.0, 360.0]),
            strokes: USUAL_STROKES,
        };
        let now_side = self.side(&now_clip, round.spm, zero(0)?, gain(0))?;
        let good_round = good.round.as_deref().and_then(|r| r.parse().ok()).unwrap_or(0);
        let good_clip = self
            .clips(good_round)?
            .into_iter()
            .find(|c| c.file == good.file)
            .ok_or_else(|| refused(format!("{}: the good run is no longer in the book", good.file)))?;
        let good_side = self.side(&good_clip, good.console_spm, zero(1)?, gain(1))?;
        let heard = extract(&good_side.input(), &now_side.input(), &settings).map_err(|e| refused(e.to_string()))?;
        heard.small_wav().map_err(|e| refused(e.to_string()))
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
        let sound = clip::read(&self.clip_path(clip), &read).map_err(|e| refused(e.to_string()))?;
        let wish = AnalyseSettings { hint_spm, keep_phase: true, ..AnalyseSettings::default() };
        let analysis = analyse(&sound, &wish);
        let phase = analysis
            .takes
            .get(take)
            .and_then(|t| t.phase.as_ref())
            .ok_or_else(|| refused(format!("{}: no stroke rhythm found", clip.file)))?;
        let n = sound.samples.len();
        let angle_deg = view::angle_deg(phase, zero_turns, analysis.first_centre_s, sound.sample_rate_hz, n);
        Ok(Side { samples: sound.samples, rate_hz: sound.sample_rate_hz, angle_deg, gain_db })
    }
}
