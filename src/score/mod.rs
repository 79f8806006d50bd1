//! Departure, place, pattern, reading in words, which module.

mod verdict;
pub use verdict::{Angle, ChangeMaps, ClipVerdict, Half, Pattern, State};
