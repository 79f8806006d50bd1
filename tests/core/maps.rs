//! Stroke maps: noise gain of the mean over strokes, robustness, the second rhythm taken out.

use crate::Noise;
use seatsong::inside::dsp::bands::{N_BAND, band_edges_hz};
use seatsong::inside::dsp::frames::{BandFrames, HOP_S};
use seatsong::inside::map::{N_FINE, fold, fold_two};
use seatsong::inside::stroke::levels_db;

/// Frames whose power follows a pattern of the angle times gamma noise of `k` degrees of freedom.
fn frames(n: usize, power: impl Fn(usize) -> f64, k: usize, seed: u64) -> BandFrames {
    let mut rng = Noise(seed);
    let mut out = vec![0.0_f32; n * N_BAND];
    for i in 0..n {
        for b in 0..N_BAND {
            let gamma: f64 = (0..k).map(|_| -(0.5 + 0.5 * rng.next()).max(1e-12).ln()).sum::<f64>() / k as f64;
            out[i * N_BAND + b] = (power(i) * gamma) as f32;
        }
    }
    BandFrames { power: out, n_usable: N_BAND, frame_rate_hz: 1.0 / HOP_S, first_centre_s: 0.0 }
}

fn phase(n: usize, spm: f64, start: f64) -> Vec<f64> {
    (0..n).map(|i| start + i as f64 * HOP_S * spm / 60.0).collect()
}

/// Synchronous averaging lowers unsynchronised noise by 10 lg N.
#[test]
fn the_mean_over_strokes_gains_ten_lg_n() {
    let edges = band_edges_hz();
    let spread = |strokes: f64| {
        let n = (strokes * 60.0 / 72.0 / HOP_S) as usize;
        let f = frames(n, |_| 1.0, 16, 3);
        let map = fold(&f, &levels_db(&f), &phase(n, 72.0, 0.0), &edges);
        // The narrow bands' limit clips some of their scatter by design: the wide ones show the gain.
        let cells: Vec<f64> = map.power.chunks(N_BAND).flat_map(|r| r[..10].iter().map(|&p| f64::from(p))).collect();
        let mean = cells.iter().sum::<f64>() / cells.len() as f64;
        cells.iter().map(|c| (c - mean).powi(2)).sum::<f64>() / cells.len() as f64
    };
    let gain = 10.0 * (spread(25.0) / spread(400.0)).log10();
    assert!((gain - 10.0 * 16.0_f64.log10()).abs() < 0.5, "{gain}");
}

#[test]
fn a_dropped_spanner_does_nothing() {
    let edges = band_edges_hz();
    let n = 6000;
    let clean = frames(n, |_| 1.0, 16, 4);
    let mut spoilt = clean.clone();
    for i in 2000..2010 {
        for v in &mut spoilt.power[i * N_BAND..(i + 1) * N_BAND] {
            *v *= 1e4;
        }
    }
    let p = phase(n, 72.0, 0.0);
    let (a, b) = (fold(&clean, &levels_db(&clean), &p, &edges), fold(&spoilt, &levels_db(&spoilt), &p, &edges));
    for (x, y) in a.power.iter().zip(&b.power) {
        // A plain mean would rise by 24 dB; the limit lets one frame in forty count for a few.
        assert!((10.0 * (y / x).log10()).abs() < 1.5, "{x} {y}");
    }
}

#[test]
fn a_second_rhythm_is_taken_out() {
    let edges = band_edges_hz();
    let n = 6000;
    let (own, other) = (phase(n, 72.0, 0.0), phase(n, 67.0, 0.4));
    let shape = |p: f64, at: f64| if (p - at).rem_euclid(1.0) < 0.15 { 4.0 } else { 0.0 };
    let alone = frames(n, |i| 1.0 + shape(own[i], 0.2), 16, 5);
    let both = frames(n, |i| 1.0 + shape(own[i], 0.2) + shape(other[i], 0.6), 16, 5);
    let level = levels_db(&both);
    let truth = fold(&alone, &levels_db(&alone), &own, &edges);
    let plain = fold(&both, &level, &own, &edges);
    let freed = fold_two(&both, &level, &own, &other, &plain, &edges);
    let error = |m: &[f32]| {
        // Shape round the turn, the steady part aside.
        let db: Vec<f64> = m
            .chunks(N_BAND)
            .zip(truth.power.chunks(N_BAND))
            .map(|(x, t)| 10.0 * f64::from(x[20] / t[20]).log10())
            .collect();
        let mean = db.iter().sum::<f64>() / N_FINE as f64;
        (db.iter().map(|d| (d - mean).powi(2)).sum::<f64>() / N_FINE as f64).sqrt()
    };
    assert!(error(&freed.power) < 0.5 * error(&plain.power), "{} {}", error(&freed.power), error(&plain.power));
}

#[test]
fn no_frames_and_digital_silence_give_a_map_without_surprises() {
    let edges = band_edges_hz();
    let silent =
        BandFrames { power: vec![0.0; 600 * N_BAND], n_usable: N_BAND, frame_rate_hz: 200.0, first_centre_s: 0.0 };
    let p = phase(600, 60.0, 0.0);
    let plain = fold(&silent, &levels_db(&silent), &p, &edges);
    assert!(plain.power.iter().all(|p| p.is_finite()));
    let two = fold_two(&silent, &levels_db(&silent), &p, &phase(600, 55.0, 0.0), &plain, &edges);
    assert!(two.power.iter().all(|p| p.is_finite()));
    let none = BandFrames { power: Vec::new(), n_usable: N_BAND, frame_rate_hz: 200.0, first_centre_s: 0.0 };
    assert!(fold(&none, &[], &[], &edges).power.iter().all(|p| p.is_finite()));
}

/// The formula of `fold` written plainly in double precision, cell by cell: power and spread, angles without a frame filled from both sides.
fn slowly(f: &BandFrames, phase: &[f64]) -> Vec<[f64; 2]> {
    let edges = band_edges_hz();
    let mut cells = vec![[f64::NAN; 2]; N_FINE * N_BAND];
    for (at, cell) in cells.iter_mut().enumerate() {
        let (bin, band) = (at / N_BAND, at % N_BAND);
        let here = |p: f64| ((p - p.floor()) * N_FINE as f64).floor() as usize == bin;
        let fallen: Vec<f64> = (0..phase.len())
            .filter(|&i| phase[i].is_finite() && here(phase[i]))
            .map(|i| f64::from(f.power[i * N_BAND + band]))
            .collect();
        if fallen.is_empty() {
            continue;
        }
        let mean = |of: &dyn Fn(f64) -> f64| fallen.iter().map(|&p| of(p)).sum::<f64>() / fallen.len() as f64;
        // Samples of a band that a frame of 10.7 ms under a Hann window holds: what its powers scatter by.
        let freedom = ((edges[band + 1] - edges[band]) * 512.0 / 48_000.0 / 1.5).max(1.0);
        let limit = 1.5 + 4.0 / freedom.sqrt();
        let mut power = mean(&|p| p.ln()).exp();
        for _ in 0..4 {
            power = mean(&|p| p.min(limit * power));
        }
        let spread = mean(&|p| (10.0 * (p / power).log10()).clamp(-20.0, 20.0).powi(2)).sqrt();
        *cell = [power, spread];
    }
    let known = cells.clone();
    for (at, cell) in cells.iter_mut().enumerate() {
        let (bin, band) = (at / N_BAND, at % N_BAND);
        let nearest = |back: bool| {
            let of = |k: usize| known[(bin + if back { N_FINE - k } else { k }) % N_FINE * N_BAND + band];
            (0..N_FINE).map(of).find(|c| c[0].is_finite()).unwrap_or_default()
        };
        let (up, down) = (nearest(false), nearest(true));
        *cell = [0.5 * (up[0] + down[0]), 0.5 * (up[1] + down[1])];
    }
    cells
}

#[test]
fn fold_does_what_its_formula_says() {
    let edges = band_edges_hz();
    // From one frame to more than fill every angle; a few frames left out; loud ones among them that the limit brings in.
    for n in [1, 2, 7, 60, 143, 144, 145, 1000, 2500] {
        let f = frames(n, |i| if i % 97 == 5 { 100.0 } else { 1.0 }, 3, n as u64);
        // No frame on the edge between two angles: there the last digit decides on which side it falls.
        let mut p = phase(n, 73.1, 0.370_13);
        p.iter_mut().skip(3).step_by(29).for_each(|p| *p = f64::NAN);
        let got = fold(&f, &levels_db(&f), &p, &edges);
        for (at, want) in slowly(&f, &p).into_iter().enumerate() {
            let (power, spread) = (f64::from(got.power[at]), f64::from(got.spread_db[at]));
            assert!((power - want[0]).abs() <= 2e-5 * want[0], "{n} frames, cell {at}: {power}, want {}", want[0]);
            assert!((spread - want[1]).abs() <= 1e-3, "{n} frames, cell {at}: {spread} dB, want {}", want[1]);
        }
    }
}
