//! Live sound: devices behind the feature `capture` (on Linux it needs the ALSA headers), and sources without hardware.
//!
//! A [`Source`] in, recordings on the disk out.

#[cfg(feature = "capture")]
mod device;
pub mod fake;
pub mod listen;
#[cfg(feature = "capture")]
mod listing;
mod meter;
mod open;
pub mod recorder;
#[cfg_attr(not(feature = "capture"), allow(dead_code, reason = "only devices and its own tests need it"))]
mod ring;
mod source;
#[cfg(feature = "capture")]
mod speaker;
pub use crate::clip::growing::Format;
#[cfg(feature = "capture")]
pub use listing::{inputs, outputs};
#[cfg(test)]
pub(crate) use meter::TrackLive;
pub use open::{PRETEND, Wish, open};
pub use source::{Got, Source, SourceError, Trouble};
#[cfg(feature = "capture")]
pub use speaker::Speaker;

use std::path::PathBuf;

use serde::Serialize;

/// A device that can record or play.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct SoundDevice {
    /// As the system calls it.
    pub name: String,
    /// What the system knows it by; `--device` takes this or a part of the name.
    pub id: String,
    /// Whether it is the one the system takes unless told otherwise.
    pub default: bool,
    /// What it offers; empty if it does not say or is in use.
    pub configs: Vec<Mode>,
}

/// Ways in which a device can work that share their rates.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Serialize)]
pub struct Mode {
    /// Lowest and highest sample rate in Hz.
    pub rate_hz: [u32; 2],
    /// Fewest and most channels.
    pub channels: [u16; 2],
    /// How samples come: `i16`, `i32`, `f32` ...
    pub formats: Vec<String>,
}

impl std::fmt::Display for Mode {
    /// `1 to 2 channels, 44100 to 48000 Hz, f32 i16`.
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let span = |from: u32, to: u32| if from == to { from.to_string() } else { format!("{from} to {to}") };
        let [fewest, most] = self.channels;
        let s = if most == 1 { "" } else { "s" };
        let [low, high] = self.rate_hz;
        let formats = self.formats.join(" ");
        write!(f, "{} channel{s}, {} Hz, {formats}", span(fewest.into(), most.into()), span(low, high))
    }
}

/// Why there is no live sound.
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
    #[cfg(not(feature = "capture"))]
    #[error(
        "this build has no sound devices; build it with `cargo build --release --features capture` (on Debian and Ubuntu after \
         `sudo apt-get install libasound2-dev pkg-config`)"
    )]
    NotBuilt,
    /// No device fits the name, or there is none at all.
    #[error("{what}; plug it in, see `seatsong devices` for what is there, and name one with --device")]
    NoDevice {
        /// What was looked for.
        what: String,
    },
    /// The device can't work in the way that was asked for.
    #[error("{device}: can't record {what}; it offers {offers}")]
    NoMode {
        /// The device.
        device: String,
        /// What was asked for.
        what: String,
        /// What it offers.
        offers: String,
    },
    /// The device can't be opened.
    #[error("{device}: can't be opened ({what}); close other programs that use it, or take another with --device")]
    NotOpened {
        /// The device.
        device: String,
        /// What the system said.
        what: String,
    },
    /// A file that is to be played as if it were a device can't be.
    #[error("{path}: can't be played as a device: {what}; give a whole WAV file")]
    Pretend {
        /// The file.
        path: PathBuf,
        /// What is wrong.
        what: String,
    },
}

/// Devices that can record, the default one first.
///
/// # Errors
/// [`CaptureError::NotBuilt`]: always, in this build.
#[cfg(not(feature = "capture"))]
pub fn inputs() -> Result<Vec<SoundDevice>, CaptureError> {
    Err(CaptureError::NotBuilt)
}

/// Devices that can play, the default one first.
///
/// # Errors
/// [`CaptureError::NotBuilt`]: always, in this build.
#[cfg(not(feature = "capture"))]
pub fn outputs() -> Result<Vec<SoundDevice>, CaptureError> {
    Err(CaptureError::NotBuilt)
}
