//! The ways in which a spot's strokes differ, of all its good clips together: nuisance directions that hundreds of strokes show and few runs can't.

use crate::baseline::align::N_CELL;
use crate::dsp::bands::N_BAND;
use crate::map::{FoldedMap, N_ANGLE, N_FINE, N_SWING, SWING_ANGLES, SWING_BANDS, SWING_CELLS, gram, leading};

/// Ways kept of a spot.
const MOST_WAYS: usize = 5;
/// Clips that are asked; of more, evenly spread ones.
const MOST_CLIPS: usize = 24;

/// A map's swings turned by `shift` fine bins, as [`super::turned_db`] turns its levels; same shape, now on the spot's origin.
#[must_use]
#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "columns of one turn")]
pub fn turned_swings(map: &FoldedMap, shift: f64) -> Vec<f32> {
    let columns = (shift * SWING_ANGLES as f64 / N_FINE as f64).rem_euclid(SWING_ANGLES as f64);
    let (whole, u) = (columns.floor() as usize, columns.fract() as f32);
    map.swings
        .chunks_exact(SWING_ANGLES)
        .flat_map(|row| {
            (0..SWING_ANGLES).map(move |a| {
                let (i, j) = ((a + whole) % SWING_ANGLES, (a + whole + 1) % SWING_ANGLES);
                (1.0 - u) * row[i] + u * row[j]
            })
        })
        .collect()
}

/// Principal components of the clips' swings, cells weighed by the model's precision, on the grid of the maps.
///
/// # Arguments
/// - `clips`: each clip's swings on the common origin, none, or several of [`SWING_CELLS`] one after the other.
/// - `variance`: of each cell between runs, dB squared.
///
/// Returns up to five directions in dB for a stroke one standard deviation off, shape `(N_BAND, N_ANGLE)`; none if no clip has swings.
pub(super) fn pooled<'a>(
    clips: impl Iterator<Item = &'a [f32]> + Clone,
    variance: &[f64],
    n_usable: usize,
) -> Vec<Vec<f64>> {
    let carrying = clips.filter(|c| !c.is_empty());
    let n = carrying.clone().count();
    if n == 0 {
        return Vec::new();
    }
    let asked = n.min(MOST_CLIPS);
    let deviation = coarse_deviation(variance);
    let mut rows: Vec<f32> = Vec::with_capacity(asked * N_SWING * SWING_CELLS);
    for (k, clip) in carrying.enumerate() {
        // One clip of each of the `asked` even parts: the one with which it begins.
        if k > 0 && k * asked / n == (k - 1) * asked / n {
            continue;
        }
        for swing in clip.chunks_exact(SWING_CELLS) {
            rows.extend(swing.iter().zip(&deviation).map(|(x, d)| x / d));
        }
    }
    let n_rows = rows.len() / SWING_CELLS;
    let found = leading(&gram(&rows, n_rows, SWING_CELLS), n_rows, MOST_WAYS);
    found
        .into_iter()
        .map(|(_, vector)| {
            let mut way = vec![0.0_f32; SWING_CELLS];
            for (row, u) in rows.chunks_exact(SWING_CELLS).zip(&vector) {
                #[expect(clippy::cast_possible_truncation, reason = "part of a unit vector over a square root")]
                let u = (u / (asked as f64).sqrt()) as f32;
                for (w, r) in way.iter_mut().zip(row) {
                    *w += u * r;
                }
            }
            way.iter_mut().zip(&deviation).for_each(|(w, d)| *w *= d);
            fine(&way, n_usable)
        })
        .collect()
}

/// Root of the mean variance of the cells under each cell of a swing.
#[expect(clippy::cast_possible_truncation, reason = "a few dB")]
fn coarse_deviation(variance: &[f64]) -> Vec<f32> {
    let (bands, columns) = (N_BAND / SWING_BANDS, N_ANGLE / SWING_ANGLES);
    let mut out = Vec::with_capacity(SWING_CELLS);
    for b in 0..SWING_BANDS {
        for a in 0..SWING_ANGLES {
            let mut sum = 0.0;
            for k in 0..bands {
                let at = (b * bands + k) * N_ANGLE + a * columns;
                sum += variance[at..at + columns].iter().sum::<f64>();
            }
            out.push((sum / (bands * columns) as f64).sqrt() as f32);
        }
    }
    out
}

/// A swing on the grid of the maps, bands that are not usable 0.
fn fine(way: &[f32], n_usable: usize) -> Vec<f64> {
    let (bands, columns) = (N_BAND / SWING_BANDS, N_ANGLE / SWING_ANGLES);
    let mut out = vec![0.0; N_CELL];
    for b in 0..n_usable {
        for a in 0..N_ANGLE {
            out[b * N_ANGLE + a] = f64::from(way[b / bands * SWING_ANGLES + a / columns]);
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::baseline::turned_db;

    #[test]
    fn swings_turn_with_their_map() {
        // A louder stretch in the map and a swing over the same stretch.
        let mut power = vec![1.0_f32; N_FINE * N_BAND];
        power[40 * N_BAND..60 * N_BAND].fill(100.0);
        let mut swings = vec![0.0_f32; SWING_CELLS];
        for row in swings.chunks_exact_mut(SWING_ANGLES) {
            row[10..15].fill(1.0);
        }
        let map = FoldedMap { power: power.clone(), spread_db: power, n_usable: N_BAND, swings };
        for shift in [0.0, 8.0, 40.0, 52.0, 143.0] {
            let (level, swing) = (turned_db(&map, shift), turned_swings(&map, shift));
            for a in 0..N_ANGLE {
                let loud = level[a] > 15.0;
                let swings = swing[a * SWING_ANGLES / N_ANGLE];
                assert!(!loud || swings > 0.1, "{shift} {a}: {swings}");
                assert!(level[a] > 1.0 || swings < 0.9, "{shift} {a}: {swings}");
            }
        }
    }

    #[test]
    fn ways_that_all_clips_share_come_first_and_keep_their_size() {
        let shared = |i: usize| if (100..220).contains(&i) { 0.8_f32 } else { 0.0 };
        let clips: Vec<Vec<f32>> = (0..30)
            .map(|c| {
                let sign = if c % 3 == 0 { -1.0 } else { 1.0 };
                let own = |i: usize| if i == 7 * c { 0.8 } else { 0.0 };
                (0..SWING_CELLS).map(|i| sign * shared(i)).chain((0..SWING_CELLS).map(own)).collect()
            })
            .collect();
        let variance = vec![0.09; N_CELL];
        let ways = pooled(clips.iter().map(Vec::as_slice), &variance, 30);
        assert_eq!(ways.len(), MOST_WAYS);
        for (i, w) in ways[0].iter().enumerate() {
            let (b, a) = (i / N_ANGLE, i % N_ANGLE);
            let expected = if b < 30 { f64::from(shared(b / 2 * SWING_ANGLES + a / 2)) } else { 0.0 };
            assert!((w.abs() - expected).abs() < 0.02, "{b} {a}: {w} {expected}");
        }
        assert!(pooled([[].as_slice()].into_iter(), &variance, 30).is_empty());
    }
}
