//! Why a recording could not be turned into a [`Clip`](super::Clip).

use std::io;
use std::path::PathBuf;

/// Why a file could not be read. Every message names the file, what is wrong and what to do.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum ClipError {
    /// The file could not be opened.
    #[error("{}: can't be opened; check the name and that you may read it", path.display())]
    Open {
        /// File.
        path: PathBuf,
        /// Cause.
        #[source]
        source: io::Error,
    },
    /// Not an ordinary file.
    #[error("{}: is {kind}, not a recording; give the name of one sound or CSV file", path.display())]
    NotAFile {
        /// Path given.
        path: PathBuf,
        /// What it is: `a folder`, `a pipe or device`.
        kind: &'static str,
    },
    /// No bytes in it.
    #[error("{}: is empty (0 bytes); copy it again from the recorder or record anew", path.display())]
    Empty {
        /// File.
        path: PathBuf,
    },
    /// Reading broke off.
    #[error("{}: reading failed; check the disk or card and copy the file again", path.display())]
    Read {
        /// File.
        path: PathBuf,
        /// Cause.
        #[source]
        source: io::Error,
    },
    /// The content is none of the known kinds.
    #[error(
        "{}: is not a recording this program knows ({what}); it reads WAV, FLAC, MP3, AAC/M4A, Ogg Vorbis, AIFF and \
         accelerometer CSV", path.display()
    )]
    NotAudio {
        /// File.
        path: PathBuf,
        /// What was seen instead.
        what: String,
    },
    /// A header that makes no sense.
    #[error("{}: broken {format} header: {what}; copy it again from the recorder or convert it to WAV", path.display())]
    Header {
        /// File.
        path: PathBuf,
        /// Kind of file.
        format: &'static str,
        /// What is wrong with it.
        what: String,
    },
    /// A known kind of file with a coding that can't be read.
    #[error("{}: {what} can't be read; convert it to WAV, for example 16-bit at 48 kHz", path.display())]
    Unsupported {
        /// File.
        path: PathBuf,
        /// What it holds.
        what: String,
    },
    /// The decoder gave up before there was any sound.
    #[error("{}: {format} data is damaged or was never finished; copy it again or record anew", path.display())]
    Decode {
        /// File.
        path: PathBuf,
        /// Kind of file.
        format: String,
        /// Cause.
        #[source]
        source: Box<dyn std::error::Error + Send + Sync>,
    },
    /// The decoder itself failed on this content.
    #[error("{}: {format} data is so damaged that the decoder failed; copy it again or record anew", path.display())]
    DecoderFailed {
        /// File.
        path: PathBuf,
        /// Kind of file.
        format: String,
    },
    /// A header and nothing behind it.
    #[error("{}: holds no samples, only a header; record anew", path.display())]
    NoSamples {
        /// File.
        path: PathBuf,
    },
    /// The asked channel does not exist.
    #[error("{}: has {channels} channel(s), but channel {asked} was asked for; channels count from 1", path.display())]
    NoSuchChannel {
        /// File.
        path: PathBuf,
        /// Asked, 1-based.
        asked: u16,
        /// Channels in the file.
        channels: u16,
    },
    /// The same channel asked for sound and for pulses.
    #[error("{}: channel {channel} was asked for both sound and pulses; give two different channels", path.display())]
    PulseIsChannel {
        /// File.
        path: PathBuf,
        /// Channel, 1-based.
        channel: u16,
    },
    /// The only channel is the pulse channel.
    #[error("{}: has only the pulse channel {pulse} and no sound; record the sound on a second channel", path.display())]
    OnlyPulse {
        /// File.
        path: PathBuf,
        /// Pulse channel, 1-based.
        pulse: u16,
    },
    /// A table that can't be read as samples.
    #[error("{}: line {line}: {what}", path.display())]
    Table {
        /// File.
        path: PathBuf,
        /// Line, 1-based.
        line: u64,
        /// What is wrong and what to do.
        what: String,
    },
    /// No time column and no rate given.
    #[error("{}: has no time column; give its sample rate in Hz with --rate", path.display())]
    NoRate {
        /// File.
        path: PathBuf,
    },
    /// A sample rate that can't be.
    #[error("{}: a sample rate of {rate_hz} Hz is out of range (100 Hz to 1 MHz); {todo}", path.display())]
    RateOutOfRange {
        /// File.
        path: PathBuf,
        /// Rate found, in Hz.
        rate_hz: f64,
        /// What to do.
        todo: &'static str,
    },
    /// A time column that is no clock.
    #[error("{}: its time column can't be used as a clock: {what}", path.display())]
    TimeColumn {
        /// File.
        path: PathBuf,
        /// What is wrong and what to do.
        what: String,
    },
    /// A line of the taps file.
    #[error("{}: line {line}: {what}; write one time in seconds a line, in ascending order", path.display())]
    Taps {
        /// File.
        path: PathBuf,
        /// Line, 1-based.
        line: usize,
        /// What is wrong.
        what: String,
    },
    /// A calibrator clip that can't be used.
    #[error("{}: can't serve as calibrator clip: {what}", path.display())]
    Calibrator {
        /// File.
        path: PathBuf,
        /// What is wrong and what to do.
        what: String,
    },
    /// A setting out of range.
    #[error("{}: {what}", path.display())]
    Setting {
        /// File that was to be read.
        path: PathBuf,
        /// Which setting, what is allowed.
        what: String,
    },
}
