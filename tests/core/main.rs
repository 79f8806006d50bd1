//! The sound-to-verdict core against truths by construction and a measured slow beat.
#![allow(clippy::unwrap_used, clippy::cast_possible_truncation, clippy::cast_sign_loss, clippy::should_implement_trait)]

mod few;
mod layers;
mod maps;
mod narrow;
mod rates;
mod taps;
mod trends;
mod verdicts;
#[path = "../examples/trend_years/years.rs"]
mod years;

/// Reproducible noise, uniform within +-1 (Knuth's MMIX constants).
#[derive(Debug)]
pub struct Noise(pub u64);

impl Noise {
    /// Next value.
    pub fn next(&mut self) -> f64 {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 11) as f64 / (1_u64 << 52) as f64 - 1.0
    }
}
