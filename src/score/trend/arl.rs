//! Average run lengths of charts on independent normal values: how many values pass until a chart signals.
//!
//! A chart's run length solves an integral equation over its state, here by Gauss-Legendre quadrature (E. S. Page 1954; S. V. Crowder,
//! Technometrics 29 (1987) 401-407; from memory): eight digits where the published tables have three.

use crate::robust::normal_tail;

/// Quadrature nodes: more change none of the first eight digits of the published charts.
const NODES: usize = 80;

/// Average run length of a one-sided CUSUM: sum of `x - k`, signal above `h`; in units of the standard deviation.
///
/// # Formula
/// `L(s) = 1 + L(0) P(x < k - s) + integral over 0..h of L(u) density(u + k - s) du`.
///
/// # Arguments
/// - `k`: allowance; `h`: limit, above zero.
/// - `shift`: mean of the values; `start`: where the sum begins, `0..=h`.
///
/// `None` where the numbers leave the range of the arithmetic (run lengths beyond about 1e12).
#[must_use]
pub fn cusum_one_sided(k: f64, h: f64, shift: f64, start: f64) -> Option<f64> {
    if !(h > 0.0 && h < 100.0 && k.abs() < 50.0 && shift.abs() < 50.0 && (0.0..=h).contains(&start)) {
        return None;
    }
    let nodes = scaled_nodes(0.0, h);
    let n = nodes.len() + 1;
    // Row of the equation at state s: weights of L(0) and of L at the nodes.
    let row = |s: f64| -> Vec<f64> {
        let stay = 1.0 - normal_tail(k - s - shift);
        std::iter::once(stay).chain(nodes.iter().map(|(u, w)| w * density(u + k - s - shift))).collect()
    };
    let states = std::iter::once(0.0).chain(nodes.iter().map(|p| p.0));
    let lengths = solve(states.map(row).collect(), n)?;
    let at_start = 1.0 + row(start).iter().zip(&lengths).map(|(w, l)| w * l).sum::<f64>();
    Some(at_start).filter(|l| *l >= 1.0 && *l < 1e12)
}

/// Average run length of a CUSUM on both sides: `1 / (1 / above + 1 / below)` (K. W. Kemp 1961, from memory; exact from sums at 0).
///
/// # Arguments
/// As [`cusum_one_sided`], both sums begin at 0.
#[must_use]
pub fn cusum_two_sided(k: f64, h: f64, shift: f64) -> Option<f64> {
    let (above, below) = (cusum_one_sided(k, h, shift, 0.0), cusum_one_sided(k, h, -shift, 0.0));
    // A side that never signals within the range of the arithmetic adds nothing.
    let rate: f64 = [above, below].into_iter().flatten().map(|l| 1.0 / l).sum();
    (rate > 0.0).then_some(1.0 / rate)
}

/// Average run length of an EWMA chart with limits at `width` long-run standard deviations on both sides.
///
/// # Formula
/// `L(u) = 1 + (1 / lambda) integral over -c..c of L(v) density((v - (1 - lambda) u) / lambda - shift) dv`, `c = width sqrt(lambda / (2 - lambda))`.
///
/// `None` unless `0.01 <= lambda <= 1` and `0 < width < 10`.
#[must_use]
pub fn ewma_two_sided(lambda: f64, width: f64, shift: f64) -> Option<f64> {
    if !((0.01..=1.0).contains(&lambda) && width > 0.0 && width < 10.0 && shift.abs() < 50.0) {
        return None;
    }
    let c = width * (lambda / (2.0 - lambda)).sqrt();
    let nodes = scaled_nodes(-c, c);
    let row = |u: f64| -> Vec<f64> {
        nodes.iter().map(|(v, w)| w / lambda * density((v - (1.0 - lambda) * u) / lambda - shift)).collect()
    };
    let lengths = solve(nodes.iter().map(|p| row(p.0)).collect(), nodes.len())?;
    let at_start = 1.0 + row(0.0).iter().zip(&lengths).map(|(w, l)| w * l).sum::<f64>();
    Some(at_start).filter(|l| *l >= 1.0 && *l < 1e12)
}

/// The limit h that gives a one-sided CUSUM on independent normal values an in-control run length of `values`.
///
/// `None` unless `1 < values <= 1e9` and `0 < k <= 3`.
#[must_use]
pub fn cusum_limit(k: f64, values: f64) -> Option<f64> {
    if !(values > 1.0 && values <= 1e9 && k > 0.0 && k <= 3.0) {
        return None;
    }
    let (mut low, mut high) = (1e-6, 60.0);
    for _ in 0..50 {
        let mid = 0.5 * (low + high);
        // Beyond the arithmetic's range the run is longer than any that is asked for.
        if cusum_one_sided(k, mid, 0.0, 0.0).is_some_and(|l| l < values) { low = mid } else { high = mid }
    }
    Some(high)
}

fn density(x: f64) -> f64 {
    (-0.5 * x * x).exp() / std::f64::consts::TAU.sqrt()
}

/// Nodes and weights of the Gauss-Legendre rule over `low..high`: the roots of the polynomial by Newton's steps.
fn scaled_nodes(low: f64, high: f64) -> Vec<(f64, f64)> {
    let n = NODES as f64;
    (0..NODES)
        .map(|i| {
            let mut x = (std::f64::consts::PI * (i as f64 + 0.75) / (n + 0.5)).cos();
            let mut slope = 1.0;
            for _ in 0..20 {
                let (mut below, mut p) = (1.0, x);
                for j in 2..=NODES {
                    let j = j as f64;
                    (below, p) = (p, ((2.0 * j - 1.0) * x * p - (j - 1.0) * below) / j);
                }
                slope = n * (x * p - below) / (x * x - 1.0);
                x -= p / slope;
            }
            let half = 0.5 * (high - low);
            (low + half * (1.0 - x), half * 2.0 / ((1.0 - x * x) * slope * slope))
        })
        .collect()
}

/// Solves `(1 - kernel) l = 1` by elimination with row exchange.
fn solve(kernel: Vec<Vec<f64>>, n: usize) -> Option<Vec<f64>> {
    let mut rows: Vec<Vec<f64>> = kernel
        .into_iter()
        .enumerate()
        .map(|(i, row)| {
            let unit = row.into_iter().enumerate().map(|(j, w)| if i == j { 1.0 - w } else { -w });
            unit.chain(std::iter::once(1.0)).collect()
        })
        .collect();
    for c in 0..n {
        let best = (c..n).max_by(|&a, &b| rows[a][c].abs().total_cmp(&rows[b][c].abs()))?;
        rows.swap(c, best);
        let pivot = rows[c].clone();
        if pivot[c].abs() < 1e-300 {
            return None;
        }
        for row in rows.iter_mut().skip(c + 1) {
            let factor = row[c] / pivot[c];
            for (r, p) in row.iter_mut().zip(&pivot).skip(c) {
                *r -= factor * p;
            }
        }
    }
    let mut out = vec![0.0; n];
    for c in (0..n).rev() {
        let known: f64 = (c + 1..n).map(|j| rows[c][j] * out[j]).sum();
        out[c] = (rows[c][n] - known) / rows[c][c];
    }
    out.iter().all(|l| l.is_finite()).then_some(out)
}
