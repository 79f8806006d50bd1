//! Sound devices. Behind the feature `capture`, because on Linux it needs the ALSA headers.

#[cfg(feature = "capture")]
mod inputs;
mod source;
#[cfg(feature = "capture")]
pub use inputs::inputs;
pub use source::{Format, Got, Source, SourceError};

use serde::Serialize;

/// A device that can record.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct InputDevice {
    /// As the system calls it.
    pub name: String,
    /// Whether it is the one the system takes unless told otherwise.
    pub default: bool,
    /// What it offers; empty if it does not say or is in use.
    pub configs: Vec<InputConfig>,
}

/// Ways in which a device can record that share their rates.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Serialize)]
pub struct InputConfig {
    /// Lowest and highest sample rate in Hz.
    pub rate_hz: [u32; 2],
    /// Fewest and most channels.
    pub channels: [u16; 2],
    /// How samples come: `i16`, `i32`, `f32` ...
    pub formats: Vec<String>,
}

/// Why devices could not be listed.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum CaptureError {
    /// The system's sound service gave no answer.
    #[error("the system's sound devices can't be listed ({what}); check that its sound service runs")]
    NoList {
        /// What it said.
        what: String,
    },
    /// The program was built without sound devices.
    #[error(
        "this build has no sound devices; build it with `cargo build --release --features capture` (on Debian and Ubuntu after \
         `sudo apt-get install libasound2-dev pkg-config`)"
    )]
    NotBuilt,
}

/// Devices that can record, the default one first.
///
/// # Errors
/// [`CaptureError::NotBuilt`]: always, in this build.
#[cfg(not(feature = "capture"))]
pub fn inputs() -> Result<Vec<InputDevice>, CaptureError> {
    Err(CaptureError::NotBuilt)
}
