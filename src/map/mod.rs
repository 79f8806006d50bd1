//! Band levels over crank angle: the stroke map.

mod analyse;
mod fold;
mod swings;
mod tie;

use ndarray::Array2;

pub use analyse::{AnalyseSettings, Analysis, Take, analyse, rate_too_low};
pub use fold::{FoldedMap, N_FINE, fold, fold_two};
pub use swings::{N_SWING, SWING_ANGLES, SWING_BANDS, SWING_CELLS, gram, leading};
pub use tie::{taps_fit, tie_taps};

/// Columns of a stroke map; column `k` covers `5 k .. 5 (k + 1)` degrees.
pub const N_ANGLE: usize = 72;

/// Level in dB over frequency band (rows) and crank angle (columns), averaged over the strokes of a clip.
#[derive(Debug, Clone, PartialEq)]
pub struct StrokeMap {
    /// Shape `(n_band, N_ANGLE)`, dB re the clip's scale; not-a-number where the clip has no data.
    pub level_db: Array2<f32>,
    /// Band edges in Hz, ascending, length `n_band + 1`.
    pub edges_hz: Vec<f64>,
}
