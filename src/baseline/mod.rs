//! Known-good maps to a model: common origin, operating point, nuisance, spread between runs.

mod agree;
mod align;
mod model;
mod pair;
mod swing;

pub use agree::{Agreed, TAP_REACH, agree};
pub use align::{Alignment, MARK_REACH, N_CELL, Turnable, align, apart, best_turn, pattern, turned_db};
pub use model::{GoodClip, Model, nuisance_of};
pub use pair::pair;
pub use swing::turned_swings;
