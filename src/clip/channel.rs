//! Which channel is the sound, which is dead, and which only carries pulses.

use std::path::Path;

use super::blocks::{Block, ChannelStats};
use super::source::{Bound, SourceInfo};
use super::{ClipError, Code, Finding, ReadSettings};
use crate::clip::blocks::SPREAD_LEN;

/// What one channel is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Nature {
    /// Sound or vibration.
    Live,
    /// Nothing, or nothing but the last bit.
    Dead,
    /// A train of pulses.
    Pulses,
}

/// The channels to use, 0-based.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Choice {
    pub(super) sound: usize,
    pub(super) pulse: Option<usize>,
    pub(super) findings: Vec<Finding>,
}

/// Checks the asked channels against the file before anything is read.
///
/// # Errors
/// [`ClipError::NoSuchChannel`], [`ClipError::PulseIsChannel`], [`ClipError::OnlyPulse`].
pub(super) fn check_asked(settings: &ReadSettings, channels: u16, path: &Path) -> Result<(), ClipError> {
    let path = || path.to_path_buf();
    if let Some(asked) = settings.channel {
        if settings.pulse == Some(asked) {
            return Err(ClipError::PulseIsChannel { path: path(), channel: asked });
        }
        if asked == 0 || asked > channels {
            return Err(ClipError::NoSuchChannel { path: path(), asked, channels });
        }
    }
    match settings.pulse {
        Some(0) => Err(ClipError::NoSuchChannel { path: path(), asked: 0, channels }),
        Some(1) if channels == 1 && settings.channel.is_none() => Err(ClipError::OnlyPulse { path: path(), pulse: 1 }),
        _ => Ok(()),
    }
}

/// Chooses the channels by what they hold. `settings` have passed [`check_asked`].
pub(super) fn choose(stats: &[ChannelStats], info: &SourceInfo, settings: &ReadSettings) -> Choice {
    let natures: Vec<Nature> = stats.iter().map(|s| nature(s, info)).collect();
    let index = |one_based: u16| usize::from(one_based) - 1;
    let pulse = settings.pulse.map(index).filter(|&p| p < stats.len());
    let others = |than: usize, nature: Nature| {
        natures.iter().enumerate().find(|&(i, &n)| i != than && Some(i) != pulse && n == nature).map(|(i, _)| i + 1)
    };
    let mut findings = Vec::new();
    let Some(asked) = settings.channel.map(index) else {
        let first = usize::from(pulse == Some(0));
        let sound = natures
            .iter()
            .enumerate()
            .position(|(i, &n)| Some(i) != pulse && n == Nature::Live)
            .unwrap_or(first.min(stats.len() - 1));
        if sound != first {
            let why = match natures[first] {
                Nature::Dead => "is silent",
                _ => "looks like a train of pulses",
            };
            findings.push(Finding::warn(
                Code::WrongChannel,
                format!(
                    "Channel {} {why}, so channel {} was analysed. Give the channel to be sure.",
                    first + 1,
                    sound + 1
                ),
            ));
        } else if natures[sound] == Nature::Pulses {
            findings.push(pulses_only(sound + 1));
        }
        return Choice { sound, pulse, findings };
    };
    match natures[asked] {
        Nature::Live => {}
        Nature::Dead => {
            if let Some(live) = others(asked, Nature::Live) {
                findings.push(Finding::refuse(
                    Code::WrongChannel,
                    format!(
                        "Channel {} is silent, but channel {live} is live. Ask for channel {live}, or check the cable.",
                        asked + 1
                    ),
                ));
            }
        }
        Nature::Pulses => findings.push(match others(asked, Nature::Live) {
            Some(live) => Finding::refuse(
                Code::WrongChannel,
                format!(
                    "Channel {} looks like a train of pulses and channel {live} like sound. Ask for channel {live}, and \
                     for channel {} as the pulse channel.",
                    asked + 1,
                    asked + 1
                ),
            ),
            None => pulses_only(asked + 1),
        }),
    }
    Choice { sound: asked, pulse, findings }
}

fn pulses_only(channel: usize) -> Finding {
    Finding::warn(
        Code::WrongChannel,
        format!("Channel {channel} looks like a train of pulses, not like sound. Check which input is which."),
    )
}

/// Below this RMS a block is silence, in the unit of the samples.
///
/// No source: a running pump is loud, so the bar sits just above what an open input gives.
pub(super) fn silence_rms(info: &SourceInfo) -> f32 {
    match (info.bound, info.bits) {
        // One step of 8 or 16 bits; -90 dB re full scale at 16 bits.
        (Bound::Integer, Some(bits @ 1..=16)) => 0.9 * 0.5_f32.powi(i32::from(bits) - 1),
        (Bound::Lossy, _) => 3.0e-5,
        (Bound::Integer | Bound::Float, _) => 3.0e-6,
        // 0.1 mg.
        (Bound::Physical, _) => 1.0e-3,
    }
}

/// What a channel holds.
pub(super) fn nature(stats: &ChannelStats, info: &SourceInfo) -> Nature {
    let silence = silence_rms(info);
    let live = stats.blocks.iter().filter(|b| b.rms >= silence).count();
    if live * 10 < stats.blocks.len() || live == 0 {
        Nature::Dead
    } else if looks_like_pulses(stats) {
        Nature::Pulses
    } else {
        Nature::Live
    }
}

/// Blocks a window: 3.5 s, which holds a whole turn down to 20 strokes/min.
const PULSE_WINDOW: usize = 7;

/// Whether nearly every window of 3.5 s shows what pulses show and sound does not: excursions to one side only, with
/// edges that jump; or edges that tower over everything between them.
fn looks_like_pulses(stats: &ChannelStats) -> bool {
    debug_assert!(stats.spread.len() <= SPREAD_LEN);
    let mut spread = stats.spread.clone();
    if spread.is_empty() {
        return false;
    }
    spread.sort_unstable_by(f32::total_cmp);
    let median = spread[spread.len() / 2];
    let windows: Vec<&[Block]> = match stats.blocks.chunks_exact(PULSE_WINDOW) {
        whole if whole.len() > 0 => whole.collect(),
        _ => vec![&stats.blocks],
    };
    let (mut up, mut down, mut towering) = (0, 0, 0);
    for window in &windows {
        let max = window.iter().map(|b| b.max).fold(f32::NEG_INFINITY, f32::max) - median;
        let min = median - window.iter().map(|b| b.min).fold(f32::INFINITY, f32::min);
        let step = window.iter().map(|b| b.max_step).fold(0.0, f32::max);
        let mean_step = window.iter().map(|b| b.mean_step).sum::<f32>() / window.len() as f32;
        let jumps = step > 0.2 * (max + min);
        up += usize::from(jumps && max > 4.0 * min);
        down += usize::from(jumps && min > 4.0 * max);
        towering += usize::from(step > 150.0 * mean_step);
    }
    up.max(down).max(towering) * 5 >= windows.len() * 4
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::clip::blocks::Gatherer;

    const RATE_HZ: f64 = 48_000.0;

    fn info() -> SourceInfo {
        SourceInfo { rate_hz: RATE_HZ, channels: 1, format: "WAV".into(), bits: Some(16), bound: Bound::Integer }
    }

    fn nature_of(signal: impl Fn(usize) -> f32) -> Nature {
        let mut gatherer = Gatherer::new(RATE_HZ, Bound::Integer, Some(16));
        gatherer.push((0..10 * 48_000).map(|i| (signal(i) * 32768.0).round() / 32768.0));
        nature(&gatherer.finish(), &info())
    }

    fn noise(i: usize) -> f32 {
        let mut x = (i as u64).wrapping_add(77).wrapping_mul(0x9e37_79b9_7f4a_7c15);
        x ^= x >> 29;
        x = x.wrapping_mul(0xbf58_476d_1ce4_e5b9);
        x ^= x >> 32;
        (x % 65_536) as f32 / 32_768.0 - 1.0
    }

    /// Knocks four times a turn, 26 dB above the noise, ringing for some milliseconds.
    fn knocks(i: usize) -> f32 {
        let t = (i % 10_000) as f32 / 48_000.0;
        0.03 * noise(i) + 0.6 * (-t * 400.0).exp() * (t * 12_000.0).sin()
    }

    #[test]
    fn knocks_and_noise_are_sound() {
        assert_eq!(nature_of(|i| 0.1 * noise(i)), Nature::Live);
        assert_eq!(nature_of(knocks), Nature::Live);
        assert_eq!(nature_of(|i| (i as f32 * 0.13).sin() * 0.5), Nature::Live);
    }

    #[test]
    fn pulses_are_told_from_sound_whatever_their_shape() {
        let turn = 40_000;
        let short = |i: usize| if i % turn < 480 { 0.8 } else { 0.0 } + 0.002 * noise(i);
        assert_eq!(nature_of(short), Nature::Pulses);
        assert_eq!(nature_of(|i| -short(i)), Nature::Pulses);
        let half_on = |i: usize| if i % turn < turn / 2 { 0.8 } else { -0.8 } + 0.002 * noise(i);
        assert_eq!(nature_of(half_on), Nature::Pulses);
        // Through a sound card's high-pass: edges both ways, decaying.
        let coupled = |i: usize| {
            let t = (i % turn) as f32 / 48_000.0;
            let edge = |t: f32| if t >= 0.0 { (-t * 125.0).exp() } else { 0.0 };
            0.6 * (edge(t) - edge(t - 0.01)) + 0.002 * noise(i)
        };
        assert_eq!(nature_of(coupled), Nature::Pulses);
    }

    #[test]
    fn the_last_bit_alone_is_dead() {
        assert_eq!(nature_of(|_| 0.0), Nature::Dead);
        assert_eq!(nature_of(|_| 0.25), Nature::Dead);
        assert_eq!(nature_of(|i| 0.5 * noise(i) / 32768.0), Nature::Dead);
    }
}
