//! A recording while it grows: sound that is whole on the disk at any moment, and what happened to it in lines beside it.

pub mod log;
pub mod wav;

/// How a source delivers.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize)]
pub struct Format {
    /// Frames a second.
    pub rate_hz: u32,
    /// Samples a frame, at least 1.
    pub channels: u16,
}
