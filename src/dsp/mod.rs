//! Sound as numbers: frequency bands, short-time levels.

pub mod bands;
pub mod frames;
