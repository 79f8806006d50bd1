//! Order statistics of the slopes of all pairs of points, without making all of them.
//!
//! The number of slopes below `s` is the number of pairs that change their order when the points are sorted by `y - s x` instead of by x
//! (an inversion count, `n log n`). Random slopes bracket the wanted one and the bracket is counted, until few enough slopes are left in
//! it to be listed: J. Matousek, Inf. Process. Lett. 39 (1991) 183-187 (from memory). The answer is the slope itself whatever the random
//! numbers are; only the time depends on them.

use rand_pcg::Pcg64;
use rand_pcg::rand_core::Rng as _;

/// Up to so many points all slopes are made: a million of them.
pub(super) const ALL_PAIRS: usize = 1500;
/// A bracket with at most so many slopes is listed, 8 MB.
const LISTED: u64 = 1 << 20;
/// Random slopes that place a bracket.
const SAMPLE: usize = 1500;

/// Points by x, then y; equal x never make a slope.
#[derive(Debug)]
pub(super) struct Pairs {
    x: Vec<f64>,
    y: Vec<f64>,
    /// Closest two different x.
    least_run: f64,
    /// Slopes there are.
    pub(super) n: u64,
}

impl Pairs {
    /// `x` and `y` are equally long and finite.
    pub(super) fn new(x: &[f64], y: &[f64]) -> Self {
        let mut points: Vec<(f64, f64)> = x.iter().copied().zip(y.iter().copied()).collect();
        points.sort_unstable_by(|a, b| (a.0 + 0.0).total_cmp(&(b.0 + 0.0)).then((a.1 + 0.0).total_cmp(&(b.1 + 0.0))));
        let (x, y): (Vec<f64>, Vec<f64>) = points.into_iter().unzip();
        let pairs = |n: usize| n as u64 * (n as u64).saturating_sub(1) / 2;
        #[expect(clippy::float_cmp, reason = "equal x are what is looked for")]
        let tied: u64 = x.chunk_by(|a, b| a == b).map(|run| pairs(run.len())).sum();
        let least_run = x.windows(2).map(|w| w[1] - w[0]).filter(|d| *d > 0.0).fold(f64::INFINITY, f64::min);
        Self { n: pairs(x.len()) - tied, x, y, least_run }
    }

    /// All slopes, in no order.
    pub(super) fn all(&self) -> Vec<f64> {
        let mut out = Vec::with_capacity(usize::try_from(self.n).unwrap_or(0));
        for j in 0..self.x.len() {
            out.extend((0..j).filter(|&i| self.x[j] > self.x[i]).map(|i| self.slope(i, j)));
        }
        out
    }

    fn slope(&self, i: usize, j: usize) -> f64 {
        (self.y[j] - self.y[i]) / (self.x[j] - self.x[i])
    }

    /// What is left of the points at a slope, in their order.
    fn residuals(&self, slope: f64) -> Vec<f64> {
        // About the middle of x, which keeps the digits of dates.
        let mid = self.x[self.x.len() / 2];
        self.x.iter().zip(&self.y).map(|(x, y)| y - slope * (x - mid)).collect()
    }

    /// Slopes that the arithmetic can't tell from `slope`.
    fn blur(&self, slope: f64) -> f64 {
        let largest = |v: &[f64]| v.iter().fold(0.0f64, |m, a| m.max(a.abs()));
        let span = self.x[self.x.len() - 1] - self.x[0];
        8.0 * f64::EPSILON * (largest(&self.y) + slope.abs() * span) / self.least_run
    }

    fn count_below(&self, slope: f64) -> u64 {
        let mut count = 0;
        let mut values: Vec<(f64, u32)> = self.residuals(slope).into_iter().map(|r| (r, 0)).collect();
        merge_sort(&mut values, &mut |left, _| count += left.len() as u64);
        count
    }

    /// The slopes in `low..high`.
    fn between(&self, low: f64, high: f64) -> Vec<f64> {
        let at_low = self.residuals(low);
        let at_high = self.residuals(high);
        let mut order: Vec<u32> = (0..).take(at_low.len()).collect();
        order.sort_by(|&a, &b| at_low[a as usize].total_cmp(&at_low[b as usize]));
        let mut values: Vec<(f64, u32)> = order.into_iter().map(|i| (at_high[i as usize], i)).collect();
        let mut out = Vec::new();
        merge_sort(&mut values, &mut |left, right| {
            out.extend(left.iter().map(|l| (l.1.min(right.1) as usize, l.1.max(right.1) as usize)));
        });
        out.into_iter().filter(|&(i, j)| self.x[j] > self.x[i]).map(|(i, j)| self.slope(i, j)).collect()
    }

    /// Random slopes within `low..=high`; fewer where they are rare.
    fn draw(&self, low: f64, high: f64, random: &mut Pcg64) -> Vec<f64> {
        let n = self.x.len() as u64;
        let mut out = Vec::with_capacity(SAMPLE);
        for _ in 0..4_000_000 {
            let bits = random.next_u64();
            let (a, b) = ((((bits >> 32) * n) >> 32) as usize, (((bits & 0xffff_ffff) * n) >> 32) as usize);
            let (i, j) = (a.min(b), a.max(b));
            if self.x[j] > self.x[i] {
                let slope = self.slope(i, j);
                if (low..=high).contains(&slope) {
                    out.push(slope);
                    if out.len() == SAMPLE {
                        break;
                    }
                }
            }
        }
        out.sort_unstable_by(f64::total_cmp);
        out
    }

    /// The slope with `rank` slopes before it in ascending order; ranks beyond the last give the last.
    pub(super) fn nth(&self, rank: u64, random: &mut Pcg64) -> Option<f64> {
        let rank = rank.min(self.n.checked_sub(1)?);
        let (mut low, mut high) = (f64::NEG_INFINITY, f64::INFINITY);
        let (mut below_low, mut below_high) = (0, self.n);
        loop {
            let inside = below_high - below_low;
            if inside <= LISTED && low.is_finite() && high.is_finite() {
                let mut slopes = self.between(low, high);
                #[expect(clippy::cast_possible_truncation, reason = "below a million")]
                let at = ((rank - below_low) as usize).min(slopes.len().checked_sub(1)?);
                return Some(*slopes.select_nth_unstable_by(at, f64::total_cmp).1);
            }
            let drawn = self.draw(low, high, random);
            let last = drawn.len().checked_sub(1)?;
            let share = (rank - below_low) as f64 / inside as f64;
            let margin = 1.6 * (drawn.len() as f64).sqrt() + 1.0;
            #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "clamped to the sample")]
            let pick = |at: f64| drawn[(at.max(0.0) as usize).min(last)];
            let mid = pick(share * last as f64);
            // Beyond the sample the old bracket stands, but it must become finite: a step out from the sample's end.
            let reach = (drawn[last] - drawn[0]).max(mid.abs()).max(self.blur(mid));
            let blur = self.blur(mid);
            let mut trials = [
                pick(share * last as f64 - margin) - blur,
                mid - blur,
                mid + blur,
                pick(share * last as f64 + margin) + blur,
            ]
            .to_vec();
            trials.extend(low.is_infinite().then_some(drawn[0] - 10.0 * reach));
            trials.extend(high.is_infinite().then_some(drawn[last] + 10.0 * reach));
            for slope in trials.into_iter().filter(|s| s.is_finite()) {
                if slope <= low || slope >= high {
                    continue;
                }
                let below = self.count_below(slope);
                if below <= rank {
                    (low, below_low) = (slope, below);
                } else {
                    (high, below_high) = (slope, below);
                }
            }
            // Equal slopes in their millions (readings on a grid): the wanted one is one of them.
            if high - low <= 4.0 * blur || below_high - below_low == inside {
                return Some(mid);
            }
        }
    }
}

/// Sorts by value and calls `passed(left, right)` whenever `right` moves in front of the `left` ones, which are larger.
fn merge_sort(values: &mut [(f64, u32)], passed: &mut impl FnMut(&[(f64, u32)], (f64, u32))) {
    let n = values.len();
    let mut from = values.to_vec();
    let mut into = values.to_vec();
    let mut width = 1;
    while width < n {
        for start in (0..n).step_by(2 * width) {
            let (middle, end) = ((start + width).min(n), (start + 2 * width).min(n));
            let (mut i, mut j) = (start, middle);
            for slot in &mut into[start..end] {
                if j < end && (i == middle || from[j].0 < from[i].0) {
                    if i < middle {
                        passed(&from[i..middle], from[j]);
                    }
                    *slot = from[j];
                    j += 1;
                } else {
                    *slot = from[i];
                    i += 1;
                }
            }
        }
        std::mem::swap(&mut from, &mut into);
        width *= 2;
    }
    values.copy_from_slice(&from);
}

#[cfg(test)]
mod tests {
    use super::*;

    fn uniform(n: usize, seed: u128) -> Vec<f64> {
        let mut random = Pcg64::new(seed, 7);
        (0..n).map(|_| (random.next_u64() >> 11) as f64 / (1_u64 << 53) as f64).collect()
    }

    /// Slow restatement: every rank asked for against the sorted list of all slopes.
    fn agrees(x: &[f64], y: &[f64], what: &str) {
        let pairs = Pairs::new(x, y);
        let mut all = pairs.all();
        all.sort_unstable_by(f64::total_cmp);
        assert_eq!(all.len() as u64, pairs.n, "{what}");
        let n = pairs.n;
        for rank in [0, 1, n / 40, n / 3, n / 2 - 1, n / 2, n / 2 + n / 50, n - 2, n - 1, n + 5] {
            let got = pairs.nth(rank, &mut Pcg64::new(3, 3)).unwrap();
            let want = all[usize::try_from(rank.min(n - 1)).unwrap()];
            assert!((got - want).abs() <= 1e-12 * want.abs().max(1e-3), "{what}, rank {rank} of {n}: {got} {want}");
        }
    }

    #[test]
    fn every_rank_is_the_one_of_the_full_list() {
        let n = 2100;
        let days: Vec<f64> = (0..n).map(|i| 20_000.0 + i as f64 / 6.0).collect();
        let noise = uniform(n, 1);
        agrees(&days, &noise, "noise");
        let drift: Vec<f64> = days.iter().zip(&noise).map(|(d, e)| 0.01 * d + e).collect();
        agrees(&days, &drift, "drift");
        let line: Vec<f64> = days.iter().map(|d| 0.25 * d).collect();
        agrees(&days, &line, "exact line");
        let grid: Vec<f64> = noise.iter().map(|e| (e * 5.0).round() / 10.0).collect();
        agrees(&days, &grid, "grid");
        let mostly: Vec<f64> = noise.iter().map(|e| if *e < 0.9 { 0.5 } else { *e }).collect();
        agrees(&days, &mostly, "mostly equal");
        let walks: Vec<f64> = days.iter().map(|d| d.floor()).collect();
        agrees(&walks, &noise, "six of one x");
        let steps: Vec<f64> = noise.iter().map(|e| (e * 9.0).floor()).collect();
        agrees(&walks, &steps, "ties in both");
    }

    #[test]
    fn the_random_numbers_do_not_change_the_answer() {
        let n = 2500;
        let x = uniform(n, 4);
        let pairs = Pairs::new(&x, &uniform(n, 5));
        let first = pairs.nth(pairs.n / 2, &mut Pcg64::new(1, 1)).unwrap();
        for seed in 2..6 {
            let again = pairs.nth(pairs.n / 2, &mut Pcg64::new(seed, 1)).unwrap();
            assert!(first.total_cmp(&again).is_eq(), "{first} {again}");
        }
    }
}
