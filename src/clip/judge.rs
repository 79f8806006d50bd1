//! Quality of the analysed channel: which blocks are spoilt, which stretch is used, and what the reader should know.

use std::ops::Range;

use super::blocks::{Block, ChannelStats};
use super::channel::silence_rms;
use super::source::{Bound, SourceInfo};
use super::{Code, Effect, Finding, gain, stretch};

/// A stretch cut out of a spoilt recording must be at least so long, in seconds.
const LEAST_PART_S: f64 = 10.0;
/// A recording shorter than this can't hold the strokes a verdict needs at any speed, in seconds.
const LEAST_CLIP_S: f64 = 2.0;
/// More replaced samples than this share spoil a clip.
const BEARABLE_NOT_FINITE: f64 = 0.001;
/// A half-second of which no larger share of samples sits at full scale is used: a peak cut for a moment changes its own angle by a fraction of a
/// decibel, and the rest of the turn not at all.
const BEARABLE_CLIPPED: f64 = 0.001;
/// Longest run at full scale of a half-second that is used, as a share of its samples.
const BEARABLE_RUN: f64 = 0.0004;
/// Flat tops at one height before they count as clipping.
const LEAST_FLAT_TOPS: u32 = 3;
/// Share of low-frequency power above which a block is ruled by rumble.
const RUMBLE_SHARE: f32 = 0.7;
/// Rumble of wind and handling comes and goes: its level spreads by more than this between blocks, in dB.
const RUMBLE_SPREAD_DB: f32 = 8.0;

/// What spoils a block.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Fault {
    Clipped,
    Silent,
    Dropout,
    NotFinite,
}

/// What of the recording is used, and what was found.
#[derive(Debug)]
pub(super) struct Judgement {
    /// Blocks to keep.
    pub(super) kept: Range<usize>,
    pub(super) findings: Vec<Finding>,
}

/// Judges the analysed channel.
///
/// `gaps` are the frames before which samples are missing, `block_len` the samples a block, `most` the longest stretch
/// that may be kept, in blocks.
pub(super) fn judge(stats: &ChannelStats, info: &SourceInfo, gaps: &[u64], block_len: usize, most: usize) -> Judgement {
    let blocks = &stats.blocks;
    let block_s = block_len as f64 / info.rate_hz;
    let n_samples: u64 = blocks.iter().map(|b| u64::from(b.n)).sum();
    let file_s = n_samples as f64 / info.rate_hz;
    let mut findings = Vec::new();
    if file_s < LEAST_CLIP_S {
        findings.push(Finding::refuse(
            Code::TooShort,
            format!(
                "The clip lasts only {file_s:.2} s. Record at least 30 strokes, half a minute at 60 strokes a minute."
            ),
        ));
    }
    let silence = silence_rms(info);
    let live = blocks.iter().filter(|b| b.rms >= silence).count();
    if live * 10 < blocks.len() || live == 0 {
        findings.push(Finding::refuse(
            Code::Silent,
            "The clip is silent. Check that the sensor is plugged in, the input is not muted and the right input was \
             recorded, then record again.",
        ));
        return Judgement { kept: 0..blocks.len().min(most), findings };
    }

    let faults = find_faults(stats, info, gaps, block_len);
    let spoilt: Vec<bool> = faults.iter().map(Option::is_some).collect();
    let (kept, sound) = choose_stretch(blocks, &spoilt, block_s, most);
    let place = Place { kept: kept.clone(), whole: blocks.len(), block_s, file_s };
    if sound && kept.len() < blocks.len() {
        findings.push(place.part_used(&faults));
    }
    for fault in [Fault::Clipped, Fault::Dropout, Fault::Silent] {
        let all = faults.iter().filter(|&&f| f == Some(fault)).count();
        if all > 0 {
            let inside = faults[kept.clone()].iter().filter(|&&f| f == Some(fault)).count();
            let ruling = !sound && is_commonest(&faults, fault);
            findings.push(fault_finding(fault, &place, all, inside, ruling, blocks, &faults));
        }
    }
    findings.extend(not_finite(blocks, &kept, !sound && is_commonest(&faults, Fault::NotFinite)));
    let used = &blocks[kept.clone()];
    if !findings.iter().any(|f| f.code == Code::Clipped) {
        findings.extend(touching(used));
    }
    if !findings.iter().any(|f| f.code == Code::Rumble) {
        findings.extend(rumble(used));
    }
    findings.extend(quiet(used, info));
    findings.extend(gain::riding(used));
    Judgement { kept, findings }
}

/// The fault of each block, the gravest first where there are several.
fn find_faults(stats: &ChannelStats, info: &SourceInfo, gaps: &[u64], block_len: usize) -> Vec<Option<Fault>> {
    let blocks = &stats.blocks;
    let silence = silence_rms(info);
    let height = |pick: fn(&Block) -> f32| blocks.iter().map(pick).fold(f32::NEG_INFINITY, f32::max);
    let (top, bottom) = (height(|b| b.max), height(|b| -b.min));
    let at_top = |b: &Block| b.flat_max.runs > 0 && b.flat_max.height >= top;
    let at_bottom = |b: &Block| b.flat_min.runs > 0 && b.flat_min.height >= bottom;
    let tops: u32 = blocks.iter().filter(|b| at_top(b)).map(|b| b.flat_max.runs).sum();
    let bottoms: u32 = blocks.iter().filter(|b| at_bottom(b)).map(|b| b.flat_min.runs).sum();
    // Within a few quantisation steps of nothing, values repeat and tops are flat by themselves.
    let mut levels: Vec<f32> = blocks.iter().map(|b| b.rms).collect();
    levels.sort_unstable_by(f32::total_cmp);
    let typical = levels[levels.len() / 2];
    let fine = stats.quantum.is_finite() && typical > 4.0 * stats.quantum;
    let fine_tops = stats.quantum.is_finite() && top.max(bottom) > 64.0 * stats.quantum;
    let mut faults: Vec<Option<Fault>> = blocks
        .iter()
        .map(|b| {
            let flat = fine_tops
                && (tops >= LEAST_FLAT_TOPS && at_top(b) || bottoms >= LEAST_FLAT_TOPS && at_bottom(b))
                && info.bound != Bound::Lossy;
            if b.n_bad > 0 {
                Some(Fault::NotFinite)
            } else if clips(b) && !lightly_clipped(b) || flat {
                Some(Fault::Clipped)
            } else if fine && b.n_held > 0 && b.rms >= silence {
                Some(Fault::Dropout)
            } else if b.rms < silence && b.n as usize * 4 >= block_len {
                // The last block may be a handful of samples, too few to be called silent.
                Some(Fault::Silent)
            } else {
                None
            }
        })
        .collect();
    // What is missing before the first sample is not missed.
    for &gap in gaps.iter().filter(|&&gap| gap > 0) {
        let at = usize::try_from(gap / block_len as u64).unwrap_or(usize::MAX).min(faults.len().saturating_sub(1));
        if let Some(fault @ None) = faults.get_mut(at) {
            *fault = Some(Fault::Dropout);
        }
    }
    faults
}

/// Whether a block reaches full scale for more than a sample by chance.
fn clips(b: &Block) -> bool {
    b.end_run >= 2 || b.n_end >= 4
}

/// Whether so little of a block sits at full scale that it can be used.
fn lightly_clipped(b: &Block) -> bool {
    let share = |n: u32| f64::from(n) / f64::from(b.n.max(1));
    share(b.n_end) <= BEARABLE_CLIPPED && share(b.end_run) <= BEARABLE_RUN
}

/// A word on half-seconds that are used although they reach full scale.
fn touching(used: &[Block]) -> Option<Finding> {
    let n = used.iter().filter(|b| clips(b) && lightly_clipped(b)).count();
    (n > 0).then(|| {
        Finding::warn(
            Code::Clipped,
            format!(
                "The loudest peaks reach full scale in {n} of {} half-seconds, for a few samples each: the clip was used. Turn the gain down \
                 by 6 dB next time.",
                used.len()
            ),
        )
    })
}

/// The stretch to keep, and whether it is clean enough to carry a verdict.
fn choose_stretch(blocks: &[Block], spoilt: &[bool], block_s: f64, most: usize) -> (Range<usize>, bool) {
    let n = blocks.len();
    let bad = spoilt.iter().filter(|&&s| s).count();
    if n <= most && bad <= stretch::bearable(n) && !(spoilt[0] || spoilt[n - 1]) {
        return (0..n, true);
    }
    if n > most {
        let window = stretch::cheapest(&cost(blocks, spoilt), most);
        if spoilt[window.clone()].iter().filter(|&&s| s).count() <= stretch::bearable(most) {
            return (window, true);
        }
    }
    let part = stretch::longest(spoilt, most);
    if part.len() as f64 * block_s >= LEAST_PART_S {
        return (part, true);
    }
    // Too short a file to cut: bear what can be borne.
    if n <= most && bad <= stretch::bearable(n) {
        return (0..n, true);
    }
    (if n <= most { 0..n } else { stretch::cheapest(&cost(blocks, spoilt), most) }, false)
}

/// How unwelcome each block is: spoilt ones most, then those far from the usual level of a running pump.
fn cost(blocks: &[Block], spoilt: &[bool]) -> Vec<f64> {
    let level = |b: &Block| 20.0 * f64::from(b.rms.max(1.0e-10)).log10();
    let mut levels: Vec<f64> = blocks.iter().map(level).collect();
    levels.sort_unstable_by(f64::total_cmp);
    // A pump may stand for hours of a long recording; the upper fifth tells how it sounds when it runs.
    let running = levels[levels.len() * 4 / 5];
    blocks
        .iter()
        .zip(spoilt)
        .map(|(b, &s)| {
            let off = level(b) - running;
            let odd = if off < 0.0 { (-off - 3.0).max(0.0) } else { 0.5 * (off - 6.0).max(0.0) };
            let rumbling = if b.low_power > RUMBLE_SHARE * b.rms * b.rms { 1.0 } else { 0.0 };
            (if s { 1000.0 } else { 0.0 }) + odd.min(30.0) + rumbling
        })
        .collect()
}

fn is_commonest(faults: &[Option<Fault>], fault: Fault) -> bool {
    let count = |f: Fault| faults.iter().filter(|&&x| x == Some(f)).count();
    let most = [Fault::Clipped, Fault::Dropout, Fault::Silent, Fault::NotFinite].map(count);
    count(fault) >= most.into_iter().max().unwrap_or(0)
}

/// Words for where in the file something is.
struct Place {
    kept: Range<usize>,
    whole: usize,
    block_s: f64,
    file_s: f64,
}

impl Place {
    fn part_used(&self, faults: &[Option<Fault>]) -> Finding {
        let from = clock(self.kept.start as f64 * self.block_s);
        let to = clock((self.kept.end as f64 * self.block_s).min(self.file_s));
        let outside = faults[..self.kept.start].iter().chain(&faults[self.kept.end..]).flatten().count();
        let why = if outside == 0 {
            "the cleanest stretch of a long recording"
        } else {
            "the longest clean stretch; the rest is spoilt or longer than needed"
        };
        Finding::warn(
            Code::PartUsed,
            format!("Only {from} to {to} of {} was used: {why}. Listen to that part if in doubt.", clock(self.file_s)),
        )
    }
}

/// `12.5 s`, or `1:02:03` from two minutes on.
fn clock(s: f64) -> String {
    if s < 120.0 {
        return format!("{s:.1} s");
    }
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a length of a file, positive")]
    let s = s.round() as u64;
    format!("{}:{:02}:{:02}", s / 3600, s / 60 % 60, s % 60)
}

fn fault_finding(
    fault: Fault,
    place: &Place,
    all: usize,
    inside: usize,
    ruling: bool,
    blocks: &[Block],
    faults: &[Option<Fault>],
) -> Finding {
    let effect = if ruling { Effect::Refuse } else { Effect::Warn };
    let part = if place.kept.len() == place.whole {
        ""
    } else if inside == 0 {
        ", none of them in the part used"
    } else if inside == all {
        ", all of them in the part used"
    } else {
        ", some of them in the part used"
    };
    let share = format!("{all} of {} half-seconds{part}", place.whole);
    let again = if ruling { "and record again" } else { "next time" };
    let (code, text) = match fault {
        Fault::Clipped => {
            let rumbling = blocks
                .iter()
                .zip(faults)
                .filter(|(b, f)| **f == Some(Fault::Clipped) && b.low_power > RUMBLE_SHARE * b.rms * b.rms)
                .count();
            if rumbling * 2 > all {
                (
                    Code::Rumble,
                    format!(
                        "Wind or handling overloads the recording in {share}. Shield the microphone and hold the \
                         sensor still {again}."
                    ),
                )
            } else {
                (Code::Clipped, format!("The recording is clipped in {share}. Turn the gain down by 10 dB {again}."))
            }
        }
        Fault::Dropout => (
            Code::Dropouts,
            format!(
                "Samples are missing or stand still in {share}. Use another card or cable, close other programs {again}."
            ),
        ),
        Fault::Silent => {
            (Code::Silent, format!("The recording is silent in {share}. Check the plug and the mute switch."))
        }
        Fault::NotFinite => (Code::NotFinite, String::new()),
    };
    Finding { code, effect, text }
}

fn not_finite(blocks: &[Block], kept: &Range<usize>, ruling: bool) -> Option<Finding> {
    let count = |blocks: &[Block]| blocks.iter().map(|b| u64::from(b.n_bad)).sum::<u64>();
    let all = count(blocks);
    if all == 0 {
        return None;
    }
    let used = &blocks[kept.clone()];
    let n_used: u64 = used.iter().map(|b| u64::from(b.n)).sum();
    let share = count(used) as f64 / n_used.max(1) as f64;
    let text = format!(
        "{all} samples are no numbers (NaN or infinite) and were replaced by 0. Check the program that wrote the file."
    );
    Some(if share > BEARABLE_NOT_FINITE || ruling {
        Finding::refuse(Code::NotFinite, text)
    } else {
        Finding::warn(Code::NotFinite, text)
    })
}

/// Wind and handling: the lowest frequencies rule many blocks, and come in bursts.
fn rumble(blocks: &[Block]) -> Option<Finding> {
    let ruled = blocks.iter().filter(|b| b.low_power > RUMBLE_SHARE * b.rms * b.rms).count();
    if blocks.len() < 8 || ruled * 5 < blocks.len() {
        return None;
    }
    // Over two seconds, so that a thump once a turn does not look like bursts.
    let mut low_db: Vec<f32> =
        blocks.windows(4).map(|w| super::blocks::power_db(w.iter().map(|b| b.low_power).sum::<f32>() / 4.0)).collect();
    low_db.sort_unstable_by(f32::total_cmp);
    let spread = low_db[low_db.len() * 9 / 10] - low_db[low_db.len() / 10];
    (spread >= RUMBLE_SPREAD_DB).then(|| {
        Finding::warn(
            Code::Rumble,
            format!(
                "Wind or handling rumbles in {ruled} of {} half-seconds. Shield the microphone from wind and hold the \
                 sensor still.",
                blocks.len()
            ),
        )
    })
}

/// A level so low that the steps of the converter are heard.
fn quiet(blocks: &[Block], info: &SourceInfo) -> Option<Finding> {
    let bits = info.bits.filter(|b| info.bound == Bound::Integer && (1..=16).contains(b))?;
    let step = 0.5_f32.powi(i32::from(bits) - 1);
    let mut levels: Vec<f32> = blocks.iter().map(|b| b.rms).collect();
    levels.sort_unstable_by(f32::total_cmp);
    let typical = levels[levels.len() / 2];
    (typical < 4.0 * step).then(|| {
        Finding::warn(
            Code::Silent,
            format!(
                "The recording is very quiet, {:.0} dB re full scale, close to the steps of its {bits} bits. Turn the gain \
                 up.",
                20.0 * typical.max(1.0e-10).log10()
            ),
        )
    })
}
