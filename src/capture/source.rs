//! Where live sound comes from: a device, or anything that acts like one.

use std::time::Duration;

use super::Format;

/// What a [`Source::read`] gave.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Got {
    /// Frames were appended.
    Frames {
        /// How many.
        frames: usize,
        /// Frames that the device delivered and nobody took, just before these.
        lost_before: u64,
    },
    /// Nothing came while waiting.
    Nothing,
    /// The source is at its end; nothing will come any more.
    End,
}

/// Why a source gives nothing any more.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum SourceError {
    /// The device went away or stopped; it may come back.
    #[error("the sound device is gone ({what}); look at its plug and cable")]
    Gone {
        /// What the system said.
        what: String,
    },
    /// The device delivers in another way than before: what follows belongs into another recording.
    #[error("the sound device changed to {} Hz and {} channel(s) in the middle; record again", .now.rate_hz, .now.channels)]
    Changed {
        /// How it delivers now.
        now: Format,
    },
}

/// What went wrong at a source since it was opened, without ending it.
#[derive(Debug, Clone, PartialEq, Eq, Default, serde::Serialize)]
pub struct Trouble {
    /// Times that the system lost sound before it reached this program (its buffer ran over).
    pub overruns: u64,
    /// Other complaints of the system.
    pub errors: u64,
    /// The last complaint in the system's words.
    pub last: Option<String>,
}

/// Live sound, pulled by the one who records.
///
/// A device's own thread only fills a ring; whoever writes to the disk pulls from it, so that a slow disk costs counted frames and never
/// blocks the device.
pub trait Source {
    /// How it delivers.
    fn format(&self) -> Format;

    /// Appends what has come since, interleaved, full scale at 1.0; waits up to `patience` while there is nothing.
    ///
    /// # Errors
    /// [`SourceError`]: nothing more comes until the source is opened again.
    fn read(&mut self, into: &mut Vec<f32>, patience: Duration) -> Result<Got, SourceError>;

    /// What went wrong so far without ending the source.
    fn trouble(&self) -> Trouble {
        Trouble::default()
    }
}
