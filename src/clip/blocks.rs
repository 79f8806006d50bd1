//! Per-channel statistics of a recording in blocks of about half a second, gathered while it streams by.
//!
//! Goes in: the samples of one channel, in order. Comes out: one [`Block`] per half second and a thin sample of all
//! values, from which [`super::judge`] tells clipping, silence, dropouts, rumble and automatic gain.

use super::source::Bound;

/// Length of a frame, the unit of the short-time levels, in seconds.
pub(super) const FRAME_S: f64 = 0.005;
/// Frames a block.
pub(super) const FRAMES_PER_BLOCK: usize = 100;
/// Rumble is what lies below this, in Hz.
pub(super) const RUMBLE_HZ: f64 = 60.0;
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
    /// Mean square below [`RUMBLE_HZ`], about the mean.
    pub(super) low_power: f32,
    /// Level that a fifth of the 5 ms frames of the first difference stay below: the background, in dB.
    pub(super) background_db: f32,
    /// Highest level of a 5 ms frame of the first difference, in dB.
    pub(super) loudest_db: f32,
    /// Largest step between neighbouring samples, and the mean step.
    pub(super) max_step: f32,
    pub(super) mean_step: f32,
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
    /// Evenly spread values, at most [`SPREAD_LEN`].
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
        Self { block, sum: 0.0, sum_sq: 0.0, sum_step: 0.0, low: 0.0, low_sq: 0.0, n_low: 0 }
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
    pub(super) fn push(&mut self, samples: impl Iterator<Item = f32>) {
        for x in samples {
            let x = if x.is_finite() {
                x
            } else {
                self.block.block.n_bad += 1;
                0.0
            };
            self.frame.push(x);
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
        self.stats.spread = self.spread.values;
        self.stats
    }

    fn end_frame(&mut self) {
        let frame = std::mem::take(&mut self.frame);
        let first = frame.first().copied().unwrap_or(0.0);
        let before = self.last.unwrap_or(first);
        let mut sum = 0.0_f64;
        let mut sum_sq = 0.0_f64;
        let (mut min, mut max) = (f32::INFINITY, f32::NEG_INFINITY);
        let mut step_sq = 0.0_f32;
        let mut step_sum = 0.0_f32;
        let mut max_step = 0.0_f32;
        let mut quantum = f32::INFINITY;
        let mut any_equal = self.last.is_none();
        let mut previous = before;
        for &x in &frame {
            sum += f64::from(x);
            sum_sq += f64::from(x) * f64::from(x);
            min = min.min(x);
            max = max.max(x);
            let step = (x - previous).abs();
            step_sq += step * step;
            step_sum += step;
            max_step = max_step.max(step);
            quantum = quantum.min(if step > 0.0 { step } else { f32::INFINITY });
            any_equal |= step <= 0.0;
            previous = x;
        }
        self.stats.quantum = self.stats.quantum.min(quantum);
        let at_end = max.max(-min).max(self.run.value.abs()) >= self.end_from;
        if any_equal || at_end || self.run.len > 1 {
            let mut previous = before;
            for &x in &frame {
                let step = (x - previous).abs();
                if self.run.len > 0 && step <= 0.0 {
                    self.run.len += 1;
                } else {
                    self.end_run();
                    self.run = Run { value: x, len: 1, entry: step };
                }
                previous = x;
            }
        } else if let [.., second_last, last] = frame[..] {
            // No two neighbours are equal: the last sample is a run of one.
            self.run = Run { value: last, len: 1, entry: (last - second_last).abs() };
            self.opening = false;
        } else {
            self.run = Run { value: previous, len: 1, entry: max_step };
        }

        for &x in &frame {
            self.spread.push(x);
            if let Some(low) = self.lowpass.push(x) {
                self.block.low += low;
                self.block.low_sq += low * low;
                self.block.n_low += 1;
            }
        }
        let sums = &mut self.block;
        sums.sum += sum;
        sums.sum_sq += sum_sq;
        sums.sum_step += f64::from(step_sum);
        let block = &mut sums.block;
        block.n += u32::try_from(frame.len()).unwrap_or(u32::MAX);
        block.min = block.min.min(min);
        block.max = block.max.max(max);
        block.max_step = block.max_step.max(max_step);
        self.frames_db.push(power_db(step_sq / frame.len() as f32));
        self.last = frame.last().copied();
        self.frame = frame;
        self.frame.clear();
        if self.frames_db.len() == FRAMES_PER_BLOCK {
            self.end_block();
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
        if len >= 3 && len < self.hold_len && abrupt {
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
            block.mean = mean as f32;
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

/// Most values in [`ChannelStats::spread`].
pub(super) const SPREAD_LEN: usize = 4096;

/// Keeps evenly spread values of a stream of unknown length: when full, every other one is dropped and the stride doubles.
#[derive(Debug)]
struct Spread {
    values: Vec<f32>,
    stride: u64,
    until_next: u64,
    /// Shifts each pick within its stride, so that no rhythm of the signal can fall in step with the picks.
    dither: u64,
}

impl Spread {
    fn new() -> Self {
        Self { values: Vec::with_capacity(SPREAD_LEN), stride: 1, until_next: 0, dither: 1 }
    }

    fn push(&mut self, x: f32) {
        if self.until_next > 0 {
            self.until_next -= 1;
            return;
        }
        if self.values.len() == SPREAD_LEN {
            let mut keep = false;
            self.values.retain(|_| {
                keep = !keep;
                keep
            });
            self.stride *= 2;
        }
        self.values.push(x);
        // Knuth's MMIX generator (from memory); any even scatter does.
        self.dither = self.dither.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        let shift = if self.stride > 1 { (self.dither >> 33) % self.stride } else { 0 };
        // Mean step: half a stride plus half a stride of shift.
        self.until_next = self.stride / 2 + shift;
    }
}

/// Second-order Butterworth low-pass at [`RUMBLE_HZ`] on the signal averaged down to about 1 kHz.
#[derive(Debug)]
struct LowPass {
    /// Samples averaged into one; 0 where the rate is too low to tell rumble from the rest.
    factor: usize,
    sum: f64,
    count: usize,
    offset: Option<f64>,
    b0: f64,
    a1: f64,
    a2: f64,
    z1: f64,
    z2: f64,
}

impl LowPass {
    fn new(rate_hz: f64) -> Self {
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "rates are 100 Hz to 1 MHz")]
        let factor = if rate_hz < 4.0 * RUMBLE_HZ { 0 } else { ((rate_hz / (16.0 * RUMBLE_HZ)) as usize).max(1) };
        let low_rate_hz = rate_hz / factor.max(1) as f64;
        // Bilinear transform with the cut-off prewarped.
        let k = (std::f64::consts::PI * RUMBLE_HZ / low_rate_hz).tan();
        let norm = 1.0 / (1.0 + std::f64::consts::SQRT_2 * k + k * k);
        Self {
            factor,
            sum: 0.0,
            count: 0,
            offset: None,
            b0: k * k * norm,
            a1: 2.0 * (k * k - 1.0) * norm,
            a2: (1.0 - std::f64::consts::SQRT_2 * k + k * k) * norm,
            z1: 0.0,
            z2: 0.0,
        }
    }

    /// Takes a sample; gives one value of the averaged-down, filtered signal now and then.
    fn push(&mut self, x: f32) -> Option<f64> {
        if self.factor == 0 {
            return None;
        }
        self.sum += f64::from(x);
        self.count += 1;
        if self.count < self.factor {
            return None;
        }
        let mean = self.sum / self.count as f64;
        self.sum = 0.0;
        self.count = 0;
        // Starting from the first value, not from 0: an accelerometer's 1 g would ring through the first second.
        let v = mean - *self.offset.get_or_insert(mean);
        let y = self.b0 * v + self.z1;
        self.z1 = 2.0 * self.b0 * v - self.a1 * y + self.z2;
        self.z2 = self.b0 * v - self.a2 * y;
        Some(y)
    }
}

/// 10 lg of a mean square, with a floor that keeps it finite.
pub(super) fn power_db(power: f32) -> f32 {
    10.0 * power.max(1.0e-20).log10()
}
