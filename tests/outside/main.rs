//! Against the world outside: published tables, values by construction, and what SciPy answers for the same input.
//!
//! Each value has its source beside it. "Computed" means worked out from the definition by someone else than this code; "from memory"
//! means nobody has looked it up again. `tests/reference/make.py` made the SciPy values and can check them live (`--check`).

#![expect(clippy::unwrap_used, reason = "helpers of tests; a panic is how a test fails")]

mod charts;
mod pump;
mod scipy;
mod statistics;

/// White noise in -1..1, the same as `noise` in tests/reference/make.py: state' = 1664525 state + 1013904223, value = state / 2^31 - 1.
pub(crate) fn noise(n: usize, seed: u32) -> Vec<f64> {
    let mut state = seed;
    (0..n)
        .map(|_| {
            state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            f64::from(state) / 2f64.powi(31) - 1.0
        })
        .collect()
}

/// Fails unless `got` lies within `tolerance` of `want`.
#[track_caller]
pub(crate) fn near(what: &str, got: f64, want: f64, tolerance: f64) {
    assert!((got - want).abs() <= tolerance, "{what}: got {got}, want {want} within {tolerance}");
}
