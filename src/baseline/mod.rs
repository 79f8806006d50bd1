//! Known-good maps to a model: common origin, operating point, nuisance, spread between runs.

mod align;
mod model;
mod pair;
mod swing;

pub use align::{Alignment, N_CELL, Turnable, align, best_turn, pattern, turned_db};
pub use model::{GoodClip, Model, nuisance_of};
pub use pair::pair;
pub use swing::turned_swings;
