//! One window in, a verdict a sensor out: what the worker thread does, without files.

use rayon::prelude::*;

use super::cutter::{Window, wav24};
use super::{Group, WatchPlan};
use crate::book::{GoodsBySpot, in_site_unit};
use crate::clip::{self, Clip, Code, ReadSettings};
use crate::map::{AnalyseSettings, analyse};
use crate::robust::median;
use crate::score::{ClipVerdict, Item, JudgeSettings, LEAST_ROUNDS, State, judge_all, n_rounds, unjudged};
use crate::stroke::{LEAST_LOCK, pulse_marks};
use crate::units::power_to_db;

use std::sync::Arc;

/// Change of level within a window, in dB, that means that the pump started or stopped in it. Own choice: drift within a healthy window of the
/// made-up rooms stays within 1 dB, a stop takes 10 dB and more.
const STEP_DB: f64 = 6.0;
/// All sensors of a pump so much quieter than their baselines, in dB, hear another pump. Own choice.
const FAR_BELOW_DB: f64 = -12.0;
/// Blocks in which the level is looked at, in s.
const BLOCK_S: f64 = 0.5;

/// What one pump's sensors heard.
#[derive(Debug, Clone)]
pub struct Hearing {
    /// The pump's own state.
    pub pump: PumpIs,
    /// One verdict a sensor, in the order of the group.
    pub verdicts: Vec<ClipVerdict>,
    /// Level of each sensor in dB re full scale.
    pub level_dbfs: Vec<f64>,
    /// The recordings as WAV files, one a sensor; the pulse is their second channel.
    pub files: Vec<Arc<[u8]>>,
    /// Strokes a minute: the median of the sensors that follow a rhythm.
    pub spm: Option<f64>,
}

/// What a pump does.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum PumpIs {
    /// It runs.
    Running,
    /// It stands.
    Stopped,
    /// It started, stopped or changed its speed within the window.
    Changing,
    /// Nothing can be said: the recordings are spoilt.
    Unknown,
}

/// Hears one window.
///
/// # Arguments
/// - `goods`: the accepted rounds' items by spot name.
/// - `pulses_known`: whether the pulse channel ever carried pulses: then their absence means that the pump stands.
#[must_use]
pub fn hear(plan: &WatchPlan, window: &Window, goods: &GoodsBySpot, pulses_known: bool) -> Hearing {
    let group = &plan.groups[window.group];
    let files: Vec<Arc<[u8]>> = window
        .sensors
        .par_iter()
        .map(|s| match &window.pulse {
            Some(p) => wav24(&[s, p], window.rate_hz),
            None => wav24(&[s], window.rate_hz),
        })
        .collect();
    let rate = f64::from(window.rate_hz);
    let level_dbfs: Vec<f64> = window.sensors.iter().map(|s| level_db(s)).collect();
    // Read back from the bytes that are kept: the same findings and the same verdict now and later.
    let clips: Vec<Result<Clip, String>> = files
        .par_iter()
        .map(|bytes| {
            let read = ReadSettings { pulse: window.pulse.as_ref().map(|_| 2), ..ReadSettings::default() };
            clip::read_bytes("watch.wav", Arc::clone(bytes), &read).map_err(|e| e.to_string())
        })
        .collect();
    let marks = window.pulse.as_ref().map(|p| pulse_marks(p, rate));
    let changes = clips.iter().filter(|c| c.as_ref().is_ok_and(steps)).count();
    let wish = AnalyseSettings { hint_spm: plan.console_spm, ..AnalyseSettings::default() };
    let items: Vec<Item> = clips
        .into_par_iter()
        .zip(&group.sensors)
        .map(|(clip, sensor)| {
            let file = format!("module {}, spot {}", sensor.spot.module, sensor.spot.name);
            let analysis = match clip {
                Ok(clip) => analyse(&clip, &wish),
                Err(why) => crate::book::unreadable(&why),
            };
            Item {
                file,
                module: Some(sensor.spot.module),
                round: Some("watch".to_owned()),
                console_spm: plan.console_spm,
                pressure: plan.pressure_pa.map(|p| in_site_unit(p, group.pump.data.units)),
                analysis,
            }
        })
        .collect();
    let lock = |i: &Item| i.analysis.takes.first().map_or(0.0, |t| t.lock);
    let rhythm: Vec<f64> = items
        .iter()
        .filter(|i| lock(i) >= LEAST_LOCK)
        .filter_map(|i| i.analysis.takes.first().map(|t| t.spm))
        .collect();
    let has = |i: &Item, code: Code| i.analysis.findings.iter().any(|f| f.code == code);
    let spoilt = items.iter().filter(|i| i.analysis.refusal().is_some_and(|f| f.code != Code::NoRhythm)).count();
    let jumps = items.iter().filter(|i| has(i, Code::RateJump)).count();
    let n = items.len();
    let no_pulse = pulses_known && marks.as_ref().is_some_and(|m| m.len() < 2);
    let mut pump = if 2 * changes >= n.max(1) && changes > 0 {
        PumpIs::Changing
    } else if no_pulse || (rhythm.is_empty() && spoilt < n) {
        PumpIs::Stopped
    } else if spoilt == n {
        PumpIs::Unknown
    } else if 2 * jumps > n {
        PumpIs::Changing
    } else {
        PumpIs::Running
    };
    let mut verdicts: Vec<ClipVerdict> = items.iter().map(unjudged).collect();
    if pump == PumpIs::Running {
        judge(group, goods, &items, &mut verdicts);
        let levels: Vec<f64> =
            verdicts.iter().filter(|v| v.verdict != State::Unjudged).filter_map(|v| v.level_db).collect();
        if !levels.is_empty() && levels.iter().all(|l| *l < FAR_BELOW_DB) {
            pump = PumpIs::Stopped;
        }
    }
    if pump != PumpIs::Running {
        let why = match pump {
            PumpIs::Changing => "the pump started, stopped or changed its speed within this window",
            PumpIs::Stopped => "the pump stands",
            _ => "",
        };
        for (v, item) in verdicts.iter_mut().zip(&items) {
            let blank = unjudged(item);
            *v = if why.is_empty() { blank } else { ClipVerdict { reason: Some(why.to_owned()), ..blank } };
        }
    }
    let spm = if pump == PumpIs::Running { median(&rhythm) } else { None };
    Hearing { pump, verdicts, level_dbfs, files, spm }
}

/// Judges the sensors of each spot name together; what has no baseline stays unjudged and says so.
fn judge(group: &Group, goods: &GoodsBySpot, items: &[Item], verdicts: &mut [ClipVerdict]) {
    let settings = JudgeSettings { order: group.pump.data.order.clone(), ..JudgeSettings::default() };
    for (spot, goods) in goods {
        let members: Vec<usize> =
            (0..items.len()).filter(|&i| group.sensors[i].spot.name.eq_ignore_ascii_case(spot)).collect();
        let (judged, without): (Vec<usize>, Vec<usize>) =
            members.into_iter().partition(|&i| n_rounds(goods, items[i].module) >= LEAST_ROUNDS);
        for i in without {
            if items[i].analysis.refusal().is_none() {
                verdicts[i].reason = Some(format!(
                    "{} accepted good round(s) at this spot, a verdict needs {LEAST_ROUNDS}: accept rounds with `seatsong baseline accept`",
                    n_rounds(goods, items[i].module)
                ));
            }
        }
        if judged.is_empty() {
            continue;
        }
        let nows: Vec<Item> = judged.iter().map(|&i| items[i].clone()).collect();
        match judge_all(goods, &nows, &settings) {
            Ok(outcome) => {
                for (i, v) in judged.into_iter().zip(outcome.clips) {
                    verdicts[i] = v;
                }
            }
            Err(err) => {
                for i in judged {
                    verdicts[i].reason = Some(err.to_string());
                }
            }
        }
    }
}

/// Level in dB re full scale.
fn level_db(x: &[f32]) -> f64 {
    power_to_db(x.iter().map(|&v| f64::from(v) * f64::from(v)).sum::<f64>() / x.len().max(1) as f64, 1.0)
}

/// Whether the level at the end of a clip is another than at its start: the pump started or stopped in between.
fn steps(clip: &Clip) -> bool {
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "half a second of samples")]
    let len = ((BLOCK_S * clip.sample_rate_hz) as usize).max(2);
    let levels: Vec<f64> = clip
        .samples
        .chunks_exact(len)
        .map(|b| {
            // The first difference: a hum or rumble must not hide a pump.
            let power: f64 = b.windows(2).map(|w| f64::from(w[1] - w[0]).powi(2)).sum();
            power_to_db(power / len as f64, 1.0)
        })
        .collect();
    let quarter = levels.len() / 4;
    if quarter < 2 {
        return false;
    }
    let parts: Vec<f64> = levels.chunks(quarter).filter(|c| c.len() == quarter).filter_map(median).collect();
    let (low, high) = parts.iter().fold((f64::MAX, f64::MIN), |(l, h), &x| (l.min(x), h.max(x)));
    high - low > STEP_DB
}

#[cfg(test)]
mod tests {
    use super::*;

    fn noise(n: usize, level: f32) -> Vec<f32> {
        let mut state = 1_u32;
        (0..n)
            .map(|_| {
                state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
                level * (state as f32 / 2.0_f32.powi(31) - 1.0)
            })
            .collect()
    }

    #[test]
    fn a_stop_within_the_window_is_seen_wherever_it_lies() {
        for at in 1..4 {
            let mut x = noise(30_000, 0.3);
            x[at * 7500..].iter_mut().for_each(|v| *v *= 0.2);
            assert!(steps(&Clip::in_memory(x, 1000.0, None)), "{at}");
        }
        let mut x = noise(30_000, 0.3);
        // A wander of 3 dB and a single clank are none.
        x.iter_mut().enumerate().for_each(|(i, v)| *v *= 1.0 - 0.3 * (i as f32 / 30_000.0));
        x[12_000..12_200].iter_mut().for_each(|v| *v *= 30.0);
        assert!(!steps(&Clip::in_memory(x, 1000.0, None)));
    }
}
