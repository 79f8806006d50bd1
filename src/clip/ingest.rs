//! One pass over a source: statistics, judgement, and the stretch worth keeping.
//!
//! Memory stays bounded: the samples of all channels are kept only while they are few; of a longer recording only the
//! statistics, and the chosen stretch is read again.

use std::ops::Range;

use super::blocks::{ChannelStats, Gatherer, block_len};
use super::source::{Ending, Origin, Source, SourceInfo};
use super::{Calibration, Clip, ClipError, ReadSettings, Scale, channel, judge};
use crate::clip::source::Bound;

/// Samples of all channels together that are kept on the first pass: 48 MB, two channels of two minutes at 48 kHz.
const KEPT_VALUES: usize = 12_000_000;
/// Values read at a time, all channels together.
const READ_VALUES: usize = 1 << 16;

/// Reads a recording; `open` gives a fresh source each time it is called.
pub(super) fn ingest(
    origin: &Origin<'_>,
    open: &dyn Fn() -> Result<Box<dyn Source>, ClipError>,
    settings: &ReadSettings,
) -> Result<Clip, ClipError> {
    let path = origin.path();
    check_settings(settings, path)?;
    let mut source = open()?;
    let info = source.info().clone();
    channel::check_asked(settings, info.channels, path)?;
    let pass = first_pass(&mut *source, &info)?;
    if pass.n_frames == 0 {
        return Err(ClipError::NoSamples { path: path.to_path_buf() });
    }
    let Ending { findings: mut findings_of_reader, gaps, rate_hz } = source.ending();
    drop(source);

    let block_len = block_len(info.rate_hz);
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "checked to be positive; saturates")]
    let most = ((settings.max_kept_s * info.rate_hz / block_len as f64) as usize).max(1);
    let choice = channel::choose(&pass.stats, &info, settings);
    let judgement = judge::judge(&pass.stats[choice.sound], &info, &gaps, block_len, most);
    let start = (judgement.kept.start * block_len) as u64;
    let end = ((judgement.kept.end * block_len) as u64).min(pass.n_frames);
    let range = start.min(end)..end;

    let mut picks = vec![choice.sound];
    picks.extend(choice.pulse);
    let mut kept = match pass.kept {
        Some(all) => pick(all, usize::from(info.channels), &range, &picks),
        None => second_pass(open, &info, &range, &picks)?,
    };
    let pulse = choice.pulse.and_then(|_| kept.pop());
    let mut samples = kept.pop().unwrap_or_default();
    let scale = calibrate(&mut samples, info.bound, settings.calibration);
    let rate_hz = rate_hz.unwrap_or(info.rate_hz);
    findings_of_reader.extend(choice.findings);
    findings_of_reader.extend(judgement.findings);
    Ok(Clip {
        samples,
        sample_rate_hz: rate_hz,
        scale,
        pulse,
        start_s: range.start as f64 / rate_hz,
        file_s: pass.n_frames as f64 / rate_hz,
        channels: info.channels,
        format: info.format,
        bits: info.bits,
        findings: findings_of_reader,
    })
}

fn check_settings(settings: &ReadSettings, path: &std::path::Path) -> Result<(), ClipError> {
    let wrong = |what: String| ClipError::Setting { path: path.to_path_buf(), what };
    if !settings.max_kept_s.is_finite() || settings.max_kept_s < 1.0 {
        return Err(wrong(format!(
            "can't keep {} s of it; the longest stretch kept must be 1 s or more",
            settings.max_kept_s
        )));
    }
    match settings.calibration {
        Calibration::MetrePerSecond2PerFullScale(factor) | Calibration::PascalPerFullScale(factor)
            if !(factor.is_finite() && factor > 0.0) =>
        {
            Err(wrong(format!("can't be calibrated with a factor of {factor}; it must be above 0")))
        }
        _ => Ok(()),
    }
}

/// What the first pass gathered.
struct Pass {
    stats: Vec<ChannelStats>,
    n_frames: u64,
    /// All samples, interleaved, if they were few.
    kept: Option<Vec<f32>>,
}

fn first_pass(source: &mut dyn Source, info: &SourceInfo) -> Result<Pass, ClipError> {
    let channels = usize::from(info.channels);
    let mut gatherers: Vec<Gatherer> =
        (0..channels).map(|_| Gatherer::new(info.rate_hz, info.bound, info.bits)).collect();
    let there = source.frames_left().map_or(0, |n| usize::try_from(n).unwrap_or(usize::MAX).saturating_mul(channels));
    let mut kept = (there <= KEPT_VALUES).then(|| Vec::with_capacity(there));
    let mut n_frames = 0;
    let mut buffer = Vec::new();
    let mut channel: Vec<f32> = Vec::new();
    loop {
        let got = source.read_frames((READ_VALUES / channels).max(1), &mut buffer)?;
        if got == 0 {
            break;
        }
        n_frames += got as u64;
        for (c, gatherer) in gatherers.iter_mut().enumerate() {
            if channels == 1 {
                gatherer.push(&buffer);
            } else {
                channel.clear();
                channel.extend(buffer.iter().skip(c).step_by(channels));
                gatherer.push(&channel);
            }
        }
        if let Some(all) = kept.as_mut() {
            if all.len() + buffer.len() > KEPT_VALUES {
                kept = None;
            } else {
                all.extend_from_slice(&buffer);
            }
        }
    }
    Ok(Pass { stats: gatherers.into_iter().map(Gatherer::finish).collect(), n_frames, kept })
}

/// Cuts the picked channels out of interleaved samples; what is not finite becomes 0.
fn pick(mut all: Vec<f32>, channels: usize, range: &Range<u64>, picks: &[usize]) -> Vec<Vec<f32>> {
    let at = |frame: u64| usize::try_from(frame).unwrap_or(usize::MAX).saturating_mul(channels).min(all.len());
    let part = at(range.start)..at(range.end);
    if channels == 1 && picks.len() == 1 {
        // Most clips are this: nothing to copy.
        all.truncate(part.end);
        all.drain(..part.start);
        all.iter_mut().for_each(|x| *x = finite(*x));
        return vec![all];
    }
    picks.iter().map(|&c| all[part.clone()].iter().skip(c).step_by(channels).map(|&x| finite(x)).collect()).collect()
}

fn second_pass(
    open: &dyn Fn() -> Result<Box<dyn Source>, ClipError>,
    info: &SourceInfo,
    range: &Range<u64>,
    picks: &[usize],
) -> Result<Vec<Vec<f32>>, ClipError> {
    let channels = usize::from(info.channels);
    let mut source = open()?;
    source.skip_frames(range.start)?;
    let mut left = usize::try_from(range.end - range.start).unwrap_or(usize::MAX);
    let mut kept: Vec<Vec<f32>> = picks.iter().map(|_| Vec::with_capacity(left.min(1 << 26))).collect();
    let mut buffer = Vec::new();
    while left > 0 {
        let got = source.read_frames((READ_VALUES / channels).max(1).min(left), &mut buffer)?;
        if got == 0 {
            break;
        }
        left -= got;
        for (out, &c) in kept.iter_mut().zip(picks) {
            out.extend(buffer.iter().skip(c).step_by(channels).map(|&x| finite(x)));
        }
    }
    Ok(kept)
}

fn finite(x: f32) -> f32 {
    if x.is_finite() { x } else { 0.0 }
}

/// Turns full-scale numbers into the calibrated unit; physical numbers stay as they are.
fn calibrate(samples: &mut [f32], bound: Bound, calibration: Calibration) -> Scale {
    if bound == Bound::Physical {
        return Scale::MetrePerSecond2;
    }
    let (factor, scale) = match calibration {
        Calibration::None => return Scale::FullScale,
        Calibration::MetrePerSecond2PerFullScale(factor) => (factor, Scale::MetrePerSecond2),
        Calibration::PascalPerFullScale(factor) => (factor, Scale::Pascal),
    };
    for x in samples {
        #[expect(clippy::cast_possible_truncation, reason = "24 bits of precision are plenty for sound")]
        let scaled = (f64::from(*x) * factor) as f32;
        *x = finite(scaled);
    }
    scale
}
