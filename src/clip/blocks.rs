//! Per-channel statistics of a recording in blocks of about half a second, gathered while it streams by.
//!
//! Goes in: the samples of one channel, in order. Comes out: one [`Block`] per half second and a thin sample of all
//! values, from which [`super::judge`] tells clipping, silence, dropouts, rumble and automatic gain.

use super::source::Bound;
use super::thin::{LowPass, Spread};

/// Length of a frame, the unit of the short-time levels, in seconds.
pub(super) const FRAME_S: f64 = 0.005;
/// Frames a block.
pub(super) const FRAMES_PER_BLOCK: usize = 100;
/// A value that stands still for longer than this within a live signal is a dropout, in seconds.
const HOLD_S: f64 = 0.004;
/// ... and it must stand still for at least so many samples.
const HOLD_SAMPLES: usize = 24;

/// Statistics of one block of one channel. Levels are re full scale (or m/s2), before calibration.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Block {
    /// Samples in it.
    pub(super) n: u32,
    /// Mean, that is the offset.
    pub(super) mean: f32,
    /// RMS about the mean.
    pub(super) rms: f32,
    /// Smallest and largest sample.
    pub(super) min: f32,
    pub(super) max: f32,
    /// Samples at the end of the scale.
    pub(super) n_end: u32,
    /// Longest run of them.
    pub(super) end_run: u32,
    /// The highest and the lowest flat tops.
    pub(super) flat_max: Flat,
    pub(super) flat_min: Flat,
    /// Samples in runs of one value that are too long for a live signal.
    pub(super) n_held: u32,
    /// Not-a-number and infinite samples that were replaced by 0.
    pub(super) n_bad: u32,
    /// Mean square below [`super::thin::RUMBLE_HZ`], about the mean.
    pub(super) low_power: f32,
    /// Level that a fifth of the 5 ms frames of the first difference stay below: the background, in dB.
    pub(super) background_db: f32,
    /// Highest level of a 5 ms frame of the first difference, in dB.
    pub(super) loudest_db: f32,
    /// Largest step between neighbouring samples, the mean step, and the sum of their squares.
    pub(super) max_step: f32,
    pub(super) mean_step: f32,
    pub(super) sum_sq_step: f32,
}

/// Flat tops at one extreme of a block.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Flat {
    /// How far out it lies; the sign is turned for bottoms.
    pub(super) height: f32,
    /// How many.
    pub(super) runs: u32,
    /// Samples in them.
    pub(super) samples: u32,
}

/// Everything gathered about one channel.
#[derive(Debug, Clone)]
pub(super) struct ChannelStats {
    /// Blocks in order; the last may be short.
    pub(super) blocks: Vec<Block>,
    /// Evenly spread values, at most [`super::thin::SPREAD_LEN`].
    pub(super) spread: Vec<f32>,
    /// Smallest non-zero step between neighbours: the width of a quantisation step, infinite if nothing moved.
    pub(super) quantum: f32,
}

/// Gathers [`ChannelStats`].
#[derive(Debug)]
pub(super) struct Gatherer {
    frame_len: usize,
    end_from: f32,
    hold_len: usize,
    lowpass: LowPass,
    /// Samples of the frame in hand.
    frame: Vec<f32>,
    /// Its steps.
    steps: Vec<f32>,
    frames_db: Vec<f32>,
    last: Option<f32>,
    run: Run,
    /// Whether the run in hand began with the first sample.
    opening: bool,
    block: Sums,
    spread: Spread,
    stats: ChannelStats,
}

/// The run of equal samples in hand.
#[derive(Debug, Clone, Copy)]
struct Run {
    value: f32,
    len: usize,
    /// Step that led into it.
    entry: f32,
}

#[derive(Debug, Clone, Copy)]
struct Sums {
    block: Block,
    /// First sample; the sums are about it, so that an accelerometer's 1 g does not drown them.
    offset: f32,
    sum: f64,
    sum_sq: f64,
    sum_step: f64,
    low: f64,
    low_sq: f64,
    n_low: u32,
}

impl Sums {
    fn new() -> Self {
        let block = Block { min: f32::INFINITY, max: f32::NEG_INFINITY, ..Block::default() };
        Self { block, offset: 0.0, sum: 0.0, sum_sq: 0.0, sum_step: 0.0, low: 0.0, low_sq: 0.0, n_low: 0 }
    }
}

/// Samples a frame at this rate, at least 1.
pub(super) fn frame_len(rate_hz: f64) -> usize {
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "rates are 100 Hz to 1 MHz")]
    let n = (rate_hz * FRAME_S).round() as usize;
    n.max(1)
}

/// Samples a block at this rate.
pub(super) fn block_len(rate_hz: f64) -> usize {
    frame_len(rate_hz) * FRAMES_PER_BLOCK
}

impl Gatherer {
    /// For a channel of this rate, bound and width.
    pub(super) fn new(rate_hz: f64, bound: Bound, bits: Option<u16>) -> Self {
        let end_from = match (bound, bits) {
            // The largest code of a two's complement integer is one step below 1.
            (Bound::Integer, Some(bits @ 2..=24)) => 1.0 - 1.5 * 0.5_f32.powi(i32::from(bits) - 1),
            (Bound::Integer, _) => 1.0 - 1.0e-6,
            (Bound::Lossy, _) => 0.999,
            (Bound::Float | Bound::Physical, _) => f32::INFINITY,
        };
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "rates are 100 Hz to 1 MHz")]
        let hold_len = ((rate_hz * HOLD_S) as usize).max(HOLD_SAMPLES);
        Self {
            frame_len: frame_len(rate_hz),
            end_from,
            hold_len,
            lowpass: LowPass::new(rate_hz),
            frame: Vec::with_capacity(frame_len(rate_hz)),
            steps: Vec::with_capacity(frame_len(rate_hz)),
            frames_db: Vec::with_capacity(FRAMES_PER_BLOCK),
            last: None,
            run: Run { value: 0.0, len: 0, entry: 0.0 },
            opening: true,
            block: Sums::new(),
            spread: Spread::new(),
            stats: ChannelStats { blocks: Vec::new(), spread: Vec::new(), quantum: f32::INFINITY },
        }
    }

    /// Takes the next samples of the channel; what is not finite counts as 0.
    pub(super) fn push(&mut self, mut samples: &[f32]) {
        while !samples.is_empty() {
            let n = (self.frame_len - self.frame.len()).min(samples.len());
            self.frame.extend_from_slice(&samples[..n]);
            samples = &samples[n..];
            if self.frame.len() == self.frame_len {
                self.end_frame();
            }
        }
    }

    /// Ends the channel.
    pub(super) fn finish(mut self) -> ChannelStats {
        if !self.frame.is_empty() {
            self.end_frame();
        }
        // What stands still to the very end is a fade or an encoder's padding, as it is at the very beginning.
        self.opening = true;
        self.end_run();
        if self.block.block.n > 0 {
            self.end_block();
        }
        self.stats.spread = std::mem::take(&mut self.spread.values);
        self.stats
    }

    fn end_frame(&mut self) {
        let mut frame = std::mem::take(&mut self.frame);
        let n_bad: u32 = frame.iter().map(|x| u32::from(!x.is_finite())).sum();
        if n_bad > 0 {
            self.block.block.n_bad += n_bad;
            for x in &mut frame {
                *x = if x.is_finite() { *x } else { 0.0 };
            }
        }
        let first = frame.first().copied().unwrap_or(0.0);
        let before = self.last.unwrap_or(first);
        if self.block.block.n == 0 {
            self.block.offset = first;
        }
        let steps = Steps::of(&frame, before, &mut self.steps);
        let values = Values::of(&frame, self.block.offset);
        self.stats.quantum = self.stats.quantum.min(steps.smallest);
        let at_end = values.max.max(-values.min).max(self.run.value.abs()) >= self.end_from;
        let may_count =
            at_end || self.last.is_none() || self.run.len > 1 || steps.any_zero && stands_still(&frame, before);
        match frame.as_slice() {
            // Runs of one or two samples, away from the end of the scale, count for nothing; only the last may go on.
            [.., before, second_last, last] if !may_count => {
                let (step, step_before) = ((last - second_last).abs(), (second_last - before).abs());
                let (len, entry) = if step <= 0.0 { (2, step_before) } else { (1, step) };
                self.run = Run { value: *last, len, entry };
                self.opening = false;
            }
            _ => self.follow_runs(&frame, before),
        }

        self.spread.push(&frame);
        let block = &mut self.block;
        self.lowpass.push(&frame, |low| {
            block.low += low;
            block.low_sq += low * low;
            block.n_low += 1;
        });
        let sums = &mut self.block;
        sums.sum += f64::from(values.sum);
        sums.sum_sq += f64::from(values.sum_sq);
        sums.sum_step += f64::from(steps.sum);
        let block = &mut sums.block;
        block.n += u32::try_from(frame.len()).unwrap_or(u32::MAX);
        block.min = block.min.min(values.min);
        block.max = block.max.max(values.max);
        block.max_step = block.max_step.max(steps.largest);
        block.sum_sq_step += steps.sum_sq;
        self.frames_db.push(power_db(steps.sum_sq / frame.len() as f32));
        self.last = frame.last().copied();
        frame.clear();
        self.frame = frame;
        if self.frames_db.len() == FRAMES_PER_BLOCK {
            self.end_block();
        }
    }

    /// Follows the runs of equal samples through a frame.
    fn follow_runs(&mut self, frame: &[f32], mut previous: f32) {
        for &x in frame {
            let step = (x - previous).abs();
            if self.run.len > 0 && step <= 0.0 {
                self.run.len += 1;
            } else {
                self.end_run();
                self.run = Run { value: x, len: 1, entry: step };
            }
            previous = x;
        }
    }

    /// Accounts for the run of equal samples that has just ended.
    fn end_run(&mut self) {
        let Run { value, len, entry } = self.run;
        let n = u32::try_from(len).unwrap_or(u32::MAX);
        let block = &mut self.block.block;
        if value.abs() >= self.end_from {
            block.n_end += n;
            block.end_run = block.end_run.max(n);
        } else if len >= self.hold_len && !self.opening {
            block.n_held += n;
        }
        // A natural peak is entered gently; a cut one abruptly.
        let abrupt = entry > (8.0 * self.stats.quantum).max(0.002 * value.abs());
        // What is cut at full scale is counted above.
        if len >= 3 && abrupt && value.abs() < self.end_from {
            block.flat_max.note(value, n);
            block.flat_min.note(-value, n);
        }
        if len > 0 {
            self.opening = false;
        }
        self.run.len = 0;
    }

    fn end_block(&mut self) {
        let sums = std::mem::replace(&mut self.block, Sums::new());
        let mut block = sums.block;
        let n = f64::from(block.n.max(1));
        let mean = sums.sum / n;
        #[expect(clippy::cast_possible_truncation, reason = "statistics need no more than 24 bits")]
        {
            block.mean = (f64::from(sums.offset) + mean) as f32;
            block.rms = (sums.sum_sq / n - mean * mean).max(0.0).sqrt() as f32;
            block.mean_step = (sums.sum_step / n) as f32;
            let n_low = f64::from(sums.n_low.max(1));
            block.low_power = (sums.low_sq / n_low - (sums.low / n_low).powi(2)).max(0.0) as f32;
        }
        self.frames_db.sort_unstable_by(f32::total_cmp);
        block.background_db = self.frames_db.get(self.frames_db.len() / 5).copied().unwrap_or(f32::NEG_INFINITY);
        block.loudest_db = self.frames_db.last().copied().unwrap_or(f32::NEG_INFINITY);
        self.frames_db.clear();
        self.stats.blocks.push(block);
    }
}

/// Sums kept side by side, which lets the compiler use vector registers.
const LANES: usize = 8;

/// Sums and extremes of the values of a frame.
struct Values {
    sum: f32,
    sum_sq: f32,
    min: f32,
    max: f32,
}

impl Values {
    /// Sums are about `offset`.
    fn of(frame: &[f32], offset: f32) -> Self {
        let square = |x: f32| (x - offset) * (x - offset);
        Self {
            sum: folded(frame, [0.0; LANES], |sum, x| sum + (x - offset)).iter().sum(),
            sum_sq: folded(frame, [0.0; LANES], |sum, x| sum + square(x)).iter().sum(),
            min: folded(frame, [f32::INFINITY; LANES], lesser).into_iter().fold(f32::INFINITY, f32::min),
            max: folded(frame, [f32::NEG_INFINITY; LANES], larger).into_iter().fold(f32::NEG_INFINITY, f32::max),
        }
    }
}

/// Folds every eighth value into a lane of its own. One plain loop a statistic becomes a few vector instructions; one loop that
/// holds them all does not.
fn folded(x: &[f32], mut lanes: [f32; LANES], with: impl Fn(f32, f32) -> f32) -> [f32; LANES] {
    let (chunks, rest) = x.as_chunks::<LANES>();
    for chunk in chunks {
        for (lane, &x) in lanes.iter_mut().zip(chunk) {
            *lane = with(*lane, x);
        }
    }
    for (lane, &x) in lanes.iter_mut().zip(rest) {
        *lane = with(*lane, x);
    }
    lanes
}

// Of numbers: `f32::min` and `f32::max` also have a rule for what is none, which costs as much again.
fn lesser(a: f32, b: f32) -> f32 {
    if b < a { b } else { a }
}

fn larger(a: f32, b: f32) -> f32 {
    if b > a { b } else { a }
}

/// Sums and extremes of the steps between the neighbours of a frame, without sign.
struct Steps {
    sum: f32,
    sum_sq: f32,
    largest: f32,
    /// Smallest step that is not 0.
    smallest: f32,
    any_zero: bool,
}

impl Steps {
    /// `steps` is where they are put meanwhile.
    fn of(frame: &[f32], before: f32, steps: &mut Vec<f32>) -> Self {
        let later = frame.get(1..).unwrap_or_default();
        steps.clear();
        steps.extend(later.iter().zip(frame).map(|(x, previous)| (x - previous).abs()));
        let first = frame.first().map_or(0.0, |x| (x - before).abs());
        let started = |others: f32, first: f32| std::array::from_fn(|lane| if lane == 0 { first } else { others });
        let moved = |step: f32| if step > 0.0 { step } else { f32::INFINITY };
        let least = folded(steps, [first; LANES], lesser);
        Self {
            sum: folded(steps, started(0.0, first), |sum, x| sum + x).iter().sum(),
            sum_sq: folded(steps, started(0.0, first * first), |sum, x| sum + x * x).iter().sum(),
            largest: folded(steps, [first; LANES], larger).into_iter().fold(0.0, f32::max),
            smallest: folded(steps, [moved(first); LANES], |least, x| lesser(least, moved(x)))
                .into_iter()
                .fold(f32::INFINITY, f32::min),
            any_zero: least.iter().any(|&step| step <= 0.0),
        }
    }
}

/// Whether three samples in a row are equal.
fn stands_still(frame: &[f32], before: f32) -> bool {
    let equal = |a: f32, b: f32, c: f32| (a - b).abs() <= 0.0 && (b - c).abs() <= 0.0;
    let [first, second, ..] = frame else { return true };
    // All are looked at, which is done side by side; to stop at the first would take them one by one.
    let inside = frame.iter().zip(&frame[1..]).zip(&frame[2..]).fold(false, |any, ((&a, &b), &c)| any | equal(a, b, c));
    inside || equal(before, *first, *second)
}

impl Flat {
    /// Counts a flat top at `height` (sign turned for bottoms); a higher one starts the count anew.
    fn note(&mut self, height: f32, n: u32) {
        if self.runs == 0 || height > self.height {
            *self = Self { height, runs: 1, samples: n };
        } else if height >= self.height {
            self.runs += 1;
            self.samples += n;
        }
    }
}

/// 10 lg of a mean square, with a floor that keeps it finite.
pub(super) fn power_db(power: f32) -> f32 {
    10.0 * power.max(1.0e-20).log10()
}
