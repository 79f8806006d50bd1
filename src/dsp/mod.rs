//! Sound as numbers: frequency bands, short-time levels, the window, filters.

pub mod bands;
pub(crate) mod biquad;
pub mod frames;
pub(crate) mod linear;
pub(crate) mod window;
