//! Made-up verdicts and maps that tests share.

use ndarray::Array2;

use super::{Angle, ChangeMaps, ClipVerdict, Half, Pattern, State};
use crate::clip::{Code, Finding};
use crate::map::{N_ANGLE, StrokeMap};

pub(crate) fn departed(module: u32) -> ClipVerdict {
    ClipVerdict {
        file: format!("today/m{module}-now.wav"),
        module: Some(module),
        verdict: State::Departed,
        departure: Some(3.4),
        false_alarm: Some(0.0002),
        excess_db: Some(6.1),
        band_hz: Some([3200.0, 11_000.0]),
        arc_deg: Some([190.0, 350.0]),
        half: Half::Suction,
        probable_half: None,
        pattern: Pattern::Hiss,
        reading: "Hiss in the suction half usually means the discharge valve or its seat is leaking. Next: does the same \
hiss go when the pump stands with pressure on the line (by people allowed to)? Then plan to look at the discharge valve."
            .into(),
        spm: Some(71.93),
        strokes: Some(35),
        lock: Some(0.93),
        level_db: Some(1.2),
        hiss_sd: Some(5.2),
        heard_from: None,
        quality: vec![],
        reason: None,
    }
}

pub(crate) fn drifting(module: u32) -> ClipVerdict {
    ClipVerdict {
        verdict: State::Drifting,
        departure: Some(1.3),
        false_alarm: Some(0.004),
        excess_db: Some(-2.2),
        band_hz: Some([800.0, 2400.0]),
        arc_deg: Some([355.0, 20.0]),
        half: Half::Both,
        pattern: Pattern::Missing,
        reading: "An event of the healthy pump is weaker. Next: suction screen, then the valve.".into(),
        ..departed(module)
    }
}

pub(crate) fn steady(module: u32) -> ClipVerdict {
    ClipVerdict {
        verdict: State::Steady,
        departure: Some(0.42),
        false_alarm: Some(0.31),
        excess_db: None,
        band_hz: None,
        arc_deg: None,
        half: Half::Unknown,
        pattern: Pattern::Unclear,
        reading: "Sounds like its good runs.".into(),
        ..departed(module)
    }
}

pub(crate) fn unjudged(module: u32) -> ClipVerdict {
    ClipVerdict {
        verdict: State::Unjudged,
        departure: None,
        false_alarm: None,
        strokes: Some(6),
        lock: None,
        spm: None,
        level_db: None,
        quality: vec![Finding::refuse(Code::TooShort, "Only 6 strokes; record at least 30 s.")],
        reason: Some("only 6 strokes, 10 are needed: record at least 30 s".into()),
        reading: String::new(),
        ..steady(module)
    }
}

/// 32 log-spaced bands from 100 Hz to 20 kHz, none narrower than 94 Hz.
pub(crate) fn edges_hz() -> Vec<f64> {
    let n = 32_usize;
    let mut edges = vec![100.0];
    for k in 1..=n {
        let last = edges[k - 1];
        // What is left is shared out evenly on a log scale, so that the top edge is met.
        let ratio = (20_000.0_f64 / last).powf(1.0 / (n + 1 - k) as f64);
        edges.push((last * ratio).max(last + 94.0));
    }
    edges
}

/// A healthy module with four valve events over flow noise, and the same with a hiss of `hiss_db` over `arc_deg` above 3 kHz.
pub(crate) fn maps(hiss_db: f32, arc_deg: [f64; 2], angle: Angle) -> ChangeMaps {
    let edges = edges_hz();
    let n = edges.len() - 1;
    let mid = |i: usize| (edges[i] * edges[i + 1]).sqrt();
    let inside = |a: f64| {
        if arc_deg[0] <= arc_deg[1] { a >= arc_deg[0] && a < arc_deg[1] } else { a >= arc_deg[0] || a < arc_deg[1] }
    };
    // A small scatter that needs no random numbers: a hash of the cell.
    let scatter = |i: usize, k: usize, salt: usize| {
        let x = (i * 7919 + k * 104_729 + salt * 1_299_721) % 1000;
        x as f32 / 1000.0 - 0.5
    };
    let good = Array2::from_shape_fn((n, N_ANGLE), |(i, k)| {
        let a = 5.0 * k as f64 + 2.5;
        let floor = -52.0 - 4.0 * (mid(i) / 1000.0).log2().abs();
        let events = [(8.0, 16.0, 900.0), (14.0, 9.0, 3500.0), (188.0, 18.0, 1300.0), (196.0, 10.0, 5000.0)];
        let power: f64 = events
            .iter()
            .map(|(at, up, hz): &(f64, f64, f64)| {
                let away = (a - at).rem_euclid(360.0);
                let decay = if away < 180.0 { -away / 4.0 } else { (away - 360.0) * 2.0 };
                let tint = -6.0 * (mid(i) / hz).log2().abs();
                10_f64.powf((floor + up + 8.0 + tint + decay) / 10.0)
            })
            .sum();
        #[expect(clippy::cast_possible_truncation, reason = "levels of tens of dB")]
        let level = (10.0 * (power + 10_f64.powf(floor / 10.0)).log10()) as f32;
        level + scatter(i, k, 1)
    });
    let now = Array2::from_shape_fn((n, N_ANGLE), |(i, k)| {
        let a = 5.0 * k as f64 + 2.5;
        let hiss = if inside(a) && mid(i) > 3000.0 && mid(i) < 12_000.0 { hiss_db } else { 0.0 };
        good[[i, k]] + hiss + scatter(i, k, 2)
    });
    let difference = &now - &good;
    let map = |level_db| StrokeMap { level_db, edges_hz: edges.clone() };
    ChangeMaps { good: map(good), now: map(now), difference: map(difference), angle }
}

/// Departures of `n` healthy rounds, each by itself: median 0.48, above 1.0 once in a hundred, skewed as those of a spot are.
pub(crate) fn healthy(n: usize, seed: u64) -> Vec<f64> {
    let mut state = seed;
    let mut uniform = || {
        state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        ((state >> 11) as f64 + 0.5) / (1_u64 << 53) as f64
    };
    (0..n).map(|_| 0.435 - 0.123 * (-uniform().ln()).ln()).collect()
}
