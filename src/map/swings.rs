//! The main ways in which the strokes of a clip differ from their mean: what a healthy pump does from stroke to stroke it also does from day to day.

use crate::dsp::bands::N_BAND;
use crate::dsp::frames::BandFrames;
use crate::map::N_FINE;
use crate::stroke::part_of_turn;

/// Ways kept of a clip: four hold what stands out of the scatter of single frames on the trial's clips.
pub const N_SWING: usize = 4;
/// Columns of a swing, 10 degrees each.
pub const SWING_ANGLES: usize = 36;
/// Rows of a swing, two bands each.
pub const SWING_BANDS: usize = N_BAND / 2;
/// Cells of a swing.
pub const SWING_CELLS: usize = SWING_BANDS * SWING_ANGLES;

/// Strokes that are told apart; with more of them neighbours are taken together.
const MOST_STROKES: usize = 96;
/// Fewer strokes show no ways.
const LEAST_STROKES: usize = 8;
/// Rounds of the power iteration.
const ROUNDS: usize = 30;
/// dB of a small relative change of power.
const DB_PER_RATIO: f32 = 4.342_945;

/// How the strokes differ: principal components of `P / mean - 1` over strokes, in dB for a stroke one standard deviation off.
///
/// # Formula
/// `Y` (strokes by cells, each cell by its own standard deviation): the leading eigenvectors of `Y' Y / n` with eigenvalues `l`, each scaled by
/// `sqrt(l - l0)`, `l0` the mean of the other eigenvalues: H. Hotelling, J. Educ. Psychol. 24 (1933) 417-441 and 498-520.
///
/// # Arguments
/// - `phase`: turns at each frame's centre; not-a-number leaves a frame out.
/// - `limits`: ratio to the expected power up to which a band's frame counts.
/// - `expected`: writes what the mean maps expect of a frame; `false` leaves it out.
///
/// Returns up to [`N_SWING`] swings one after the other, each of shape `(SWING_BANDS, SWING_ANGLES)`, on the map's own origin; empty with too few strokes.
pub(super) fn swings(
    frames: &BandFrames,
    phase: &[f64],
    limits: &[f32; N_BAND],
    mut expected: impl FnMut(usize, &mut [f32; N_BAND]) -> bool,
) -> Vec<f32> {
    let finite = || phase.iter().copied().filter(|p| p.is_finite());
    let (from, to) = (finite().fold(f64::MAX, f64::min).ceil(), finite().fold(f64::MIN, f64::max).floor());
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "strokes of a clip; a negative number becomes 0"
    )]
    let strokes = (to - from) as usize;
    if strokes < LEAST_STROKES {
        return Vec::new();
    }
    let together = strokes.div_ceil(MOST_STROKES);
    let n = strokes / together;
    // Sums of a stroke: angles outer, bands inner, as the frames lie.
    let mut sum = vec![[0.0_f32; N_BAND]; n * SWING_ANGLES];
    let mut count = vec![0.0_f32; n * SWING_ANGLES];
    let mut power = [0.0_f32; N_BAND];
    for (i, (row, &p)) in frames.power.chunks_exact(N_BAND).zip(phase).enumerate() {
        if !p.is_finite() || p < from {
            continue;
        }
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "a stroke of the clip, not negative"
        )]
        let stroke = (p - from) as usize / together;
        if stroke >= n || !expected(i, &mut power) {
            continue;
        }
        let at = stroke * SWING_ANGLES + part_of_turn(p, N_FINE) * SWING_ANGLES / N_FINE;
        count[at] += 1.0;
        for (((s, &x), &m), &c) in sum[at].iter_mut().zip(row).zip(&power).zip(limits) {
            *s += (x / m).min(c) - 1.0;
        }
    }
    let mut y = vec![0.0_f32; n * SWING_CELLS];
    for (stroke, cells) in y.chunks_exact_mut(SWING_CELLS).enumerate() {
        for (b, row) in cells.chunks_exact_mut(SWING_ANGLES).enumerate() {
            let usable = (2 * b..2 * b + 2).filter(|&k| k < frames.n_usable).count();
            if usable == 0 {
                continue;
            }
            for (a, cell) in row.iter_mut().enumerate() {
                let (sum, count) = (&sum[stroke * SWING_ANGLES + a], count[stroke * SWING_ANGLES + a]);
                if count > 0.0 {
                    *cell = DB_PER_RATIO * sum[2 * b..2 * b + usable].iter().sum::<f32>() / (count * usable as f32);
                }
            }
            // A stroke that is louder all round says nothing of the angle.
            let mean = row.iter().sum::<f32>() / SWING_ANGLES as f32;
            row.iter_mut().for_each(|c| *c -= mean);
        }
    }
    components(y, n, (together as f32).sqrt())
}

/// Leading principal components of `n` rows, in their unit times `factor` (rows that are means of several strokes scatter less).
fn components(mut y: Vec<f32>, n: usize, factor: f32) -> Vec<f32> {
    let mut deviation = vec![0.0_f32; SWING_CELLS];
    let mut mean = vec![0.0_f32; SWING_CELLS];
    for row in y.chunks_exact(SWING_CELLS) {
        for (m, v) in mean.iter_mut().zip(row) {
            *m += v / n as f32;
        }
    }
    for row in y.chunks_exact_mut(SWING_CELLS) {
        for ((v, m), d) in row.iter_mut().zip(&mean).zip(&mut deviation) {
            *v -= m;
            *d += *v * *v / n as f32;
        }
    }
    let deviation: Vec<f32> = deviation.into_iter().map(f32::sqrt).collect();
    for row in y.chunks_exact_mut(SWING_CELLS) {
        for (v, d) in row.iter_mut().zip(&deviation) {
            *v = if *d > 0.0 { *v / d } else { 0.0 };
        }
    }
    let gram = gram(&y, n, SWING_CELLS);
    let found = leading(&gram, n, N_SWING);
    let total: f64 = (0..n).map(|i| gram[i * n + i]).sum();
    let rest = (total - found.iter().map(|f| f.0).sum::<f64>()).max(0.0) / (n - 1 - found.len()) as f64;
    let mut out = Vec::with_capacity(found.len() * SWING_CELLS);
    for (value, vector) in found {
        // u' Y / sqrt(n l) is the unit eigenvector of Y'Y / n, where value = n l.
        #[expect(clippy::cast_possible_truncation, reason = "a few dB")]
        let scale = ((value - rest).max(0.0) / n as f64 / value.max(1e-12)).sqrt() as f32 * factor;
        let at = out.len();
        out.resize(at + SWING_CELLS, 0.0_f32);
        for (row, u) in y.chunks_exact(SWING_CELLS).zip(&vector) {
            #[expect(clippy::cast_possible_truncation, reason = "part of a unit vector")]
            let u = *u as f32 * scale;
            for (o, v) in out[at..].iter_mut().zip(row) {
                *o += u * v;
            }
        }
        for (o, d) in out[at..].iter_mut().zip(&deviation) {
            *o *= d;
        }
    }
    out
}

/// `Y Y'` of `n` rows of `width`, shape `(n, n)`.
#[must_use]
pub fn gram(y: &[f32], n: usize, width: usize) -> Vec<f64> {
    const LANES: usize = 16;
    let mut out = vec![0.0; n * n];
    for i in 0..n {
        for j in 0..=i {
            let mut sums = [0.0_f32; LANES];
            for (a, b) in
                y[i * width..(i + 1) * width].chunks_exact(LANES).zip(y[j * width..(j + 1) * width].chunks_exact(LANES))
            {
                for ((s, a), b) in sums.iter_mut().zip(a).zip(b) {
                    *s += a * b;
                }
            }
            let dot = sums.iter().map(|&s| f64::from(s)).sum();
            out[i * n + j] = dot;
            out[j * n + i] = dot;
        }
    }
    out
}

/// The `k` leading eigenvalues and unit eigenvectors of a symmetric matrix without negative eigenvalues, by power iteration of a subspace
/// from a fixed start (the same matrix gives the same digits).
#[must_use]
pub fn leading(matrix: &[f64], n: usize, k: usize) -> Vec<(f64, Vec<f64>)> {
    let k = k.min(n.saturating_sub(2));
    let mut vectors: Vec<Vec<f64>> =
        (0..k).map(|v| (0..n).map(|i| (0.7 * ((v + 1) * (i + 1)) as f64).cos()).collect()).collect();
    let mut values = vec![0.0; k];
    for _ in 0..ROUNDS {
        for v in 0..k {
            let mut next: Vec<f64> =
                matrix.chunks_exact(n).map(|row| row.iter().zip(&vectors[v]).map(|(m, x)| m * x).sum()).collect();
            for earlier in &vectors[..v] {
                let dot: f64 = next.iter().zip(earlier).map(|(a, b)| a * b).sum();
                for (x, e) in next.iter_mut().zip(earlier) {
                    *x -= dot * e;
                }
            }
            let length = next.iter().map(|x| x * x).sum::<f64>().sqrt();
            values[v] = length;
            if length > 1e-12 {
                next.iter_mut().for_each(|x| *x /= length);
                vectors[v] = next;
            }
        }
    }
    values.into_iter().zip(vectors).filter(|(value, _)| *value > 1e-9).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_leading_eigenvectors_are_those_of_a_made_up_matrix() {
        // Householder: Q = I - 2 w w' is orthogonal.
        let n = 12;
        let w: Vec<f64> = (0..n).map(|i| 1.0 + 0.3 * i as f64).collect();
        let norm: f64 = w.iter().map(|x| x * x).sum();
        let q = |i: usize, k: usize| f64::from(u8::from(i == k)) - 2.0 * w[i] * w[k] / norm;
        let value = |k: usize| {
            if k == 7 {
                50.0
            } else if k == 2 {
                20.0
            } else {
                1.0
            }
        };
        let matrix: Vec<f64> =
            (0..n * n).map(|ij| (0..n).map(|k| q(ij / n, k) * value(k) * q(ij % n, k)).sum()).collect();
        let found = leading(&matrix, n, 2);
        for ((l, v), k) in found.iter().zip([7, 2]) {
            assert!((l - value(k)).abs() < 1e-6, "{l}");
            let dot: f64 = (0..n).map(|i| v[i] * q(i, k)).sum();
            assert!(dot.abs() > 1.0 - 1e-9, "{dot}");
        }
    }

    /// Strokes whose sound between 90 and 180 degrees swings by 1 dB, the rest being noise.
    #[test]
    fn what_swings_is_found_with_its_size() {
        let (strokes, per) = (40, 144);
        let mut state = 5_u64;
        let mut noise = || {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            (state >> 40) as f32 / (1_u64 << 24) as f32 - 0.5
        };
        let mut power = Vec::new();
        let mut phase = Vec::new();
        for s in 0..strokes {
            let swing = if s % 2 == 0 { 1.0_f32 } else { -1.0 };
            for k in 0..per {
                phase.push(s as f64 + (k as f64 + 0.5) / per as f64);
                let on = (36..72).contains(&k);
                for _ in 0..N_BAND {
                    power.push(10.0_f32.powf(0.1 * (if on { swing } else { 0.0 } + noise())));
                }
            }
        }
        let frames = BandFrames { power, n_usable: N_BAND, frame_rate_hz: 200.0, first_centre_s: 0.0 };
        let found = swings(&frames, &phase, &[4.0; N_BAND], |_, p| {
            p.fill(1.0);
            true
        });
        assert_eq!(found.len() % SWING_CELLS, 0);
        let first = &found[..SWING_CELLS];
        // Less the mean over the turn: 0.75 within, -0.25 outside.
        for b in 0..SWING_BANDS {
            let at = |a: usize| first[b * SWING_ANGLES + a];
            let sign = at(12).signum();
            assert!(
                (sign * at(12) - 0.75).abs() < 0.15 && (sign * at(30) + 0.25).abs() < 0.1,
                "{b}: {} {}",
                at(12),
                at(30)
            );
        }
        let second: f32 = found.get(SWING_CELLS..2 * SWING_CELLS).map_or(0.0, |s| s.iter().map(|x| x * x).sum());
        let energy: f32 = first.iter().map(|x| x * x).sum();
        assert!(second < 0.1 * energy, "{second} {energy}");
    }

    #[test]
    fn too_few_strokes_show_nothing() {
        let frames =
            BandFrames { power: vec![1.0; 200 * N_BAND], n_usable: N_BAND, frame_rate_hz: 200.0, first_centre_s: 0.0 };
        let phase: Vec<f64> = (0..200).map(|i| f64::from(i) / 100.0).collect();
        assert!(swings(&frames, &phase, &[4.0; N_BAND], |_, _| true).is_empty());
        assert!(swings(&frames, &vec![f64::NAN; 200], &[4.0; N_BAND], |_, _| true).is_empty());
        assert!(swings(&frames, &vec![0.0; 200], &[4.0; N_BAND], |_, _| true).is_empty());
    }
}
