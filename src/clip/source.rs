//! Where samples come from: an opened file or bytes in memory, read block by block so that memory stays bounded.

use std::fs::{self, File};
use std::io::{Cursor, ErrorKind};
use std::path::Path;
use std::sync::Arc;

use symphonia::core::io::MediaSource;

use super::{ClipError, Finding};

/// What is to be read; it can be opened more than once.
#[derive(Debug, Clone)]
pub(super) enum Origin<'a> {
    /// A file on disk.
    File(&'a Path),
    /// Bytes in memory, with the name that messages use.
    Bytes(&'a Path, Arc<[u8]>),
}

impl Origin<'_> {
    /// Name that messages use.
    pub(super) fn path(&self) -> &Path {
        match self {
            Self::File(path) | Self::Bytes(path, _) => path,
        }
    }

    /// Opens it at its start.
    ///
    /// # Errors
    /// [`ClipError::NotAFile`] for folders, pipes and devices (reading a pipe could wait for ever),
    /// [`ClipError::Open`] if the system refuses, [`ClipError::Empty`] for 0 bytes.
    pub(super) fn open(&self) -> Result<Box<dyn MediaSource>, ClipError> {
        let (input, n_bytes): (Box<dyn MediaSource>, u64) = match self {
            Self::File(path) => {
                let open_error = |source| ClipError::Open { path: path.to_path_buf(), source };
                let meta = fs::metadata(path).map_err(open_error)?;
                if meta.is_dir() {
                    return Err(ClipError::NotAFile { path: path.to_path_buf(), kind: "a folder" });
                }
                if !meta.is_file() {
                    return Err(ClipError::NotAFile { path: path.to_path_buf(), kind: "a pipe or device" });
                }
                (Box::new(File::open(path).map_err(open_error)?), meta.len())
            }
            Self::Bytes(_, bytes) => (Box::new(Cursor::new(Arc::clone(bytes))), bytes.len() as u64),
        };
        if n_bytes == 0 {
            return Err(ClipError::Empty { path: self.path().to_path_buf() });
        }
        Ok(input)
    }

    /// Wraps a read error with the name.
    pub(super) fn read_error(&self, source: std::io::Error) -> ClipError {
        ClipError::Read { path: self.path().to_path_buf(), source }
    }
}

/// How the numbers of a source are bounded, which decides what counts as clipped or silent.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Bound {
    /// Integers: nothing lies beyond 1.0.
    Integer,
    /// Floating point: values beyond 1.0 are legal, so only flat tops tell of clipping.
    Float,
    /// Decoded from a lossy form: clipped tops come back wavy, around or above 1.0.
    Lossy,
    /// Physical units (m/s2), end of scale unknown.
    Physical,
}

/// What is known before the first sample.
#[derive(Debug, Clone)]
pub(super) struct SourceInfo {
    /// Samples per second per channel.
    pub(super) rate_hz: f64,
    /// Channels, at least 1.
    pub(super) channels: u16,
    /// In words, see [`Clip::format`](super::Clip::format).
    pub(super) format: String,
    /// Bits a stored sample.
    pub(super) bits: Option<u16>,
    /// Bound of the numbers.
    pub(super) bound: Bound,
}

/// What is known only after the last sample.
#[derive(Debug, Clone, Default)]
pub(super) struct Ending {
    /// Findings of the reader: cut-off, time-jitter, damaged packets.
    pub(super) findings: Vec<Finding>,
    /// Frames before which samples are missing, ascending.
    pub(super) gaps: Vec<u64>,
    /// A better figure of the sample rate than the one of [`SourceInfo`].
    pub(super) rate_hz: Option<f64>,
}

/// A stream of interleaved samples.
pub(super) trait Source {
    /// What is known before the first sample.
    fn info(&self) -> &SourceInfo;

    /// Replaces the content of `out` by at most `max_frames` frames, interleaved; returns their number, 0 at the end.
    fn read_frames(&mut self, max_frames: usize, out: &mut Vec<f32>) -> Result<usize, ClipError>;

    /// How many frames can at most be read yet, if that is known.
    fn frames_left(&self) -> Option<u64> {
        None
    }

    /// Passes over `n` frames. The default reads and drops them.
    fn skip_frames(&mut self, mut n: u64) -> Result<(), ClipError> {
        let mut scratch = Vec::new();
        while n > 0 {
            let step = usize::try_from(n).unwrap_or(usize::MAX).min(1 << 16);
            let got = self.read_frames(step, &mut scratch)?;
            if got == 0 {
                break;
            }
            n -= got as u64;
        }
        Ok(())
    }

    /// What the whole stream told, once `read_frames` has returned 0.
    fn ending(&mut self) -> Ending;
}

/// Reads until `buf` is full or the input ends; returns the bytes read.
pub(super) fn read_full(input: &mut dyn MediaSource, buf: &mut [u8]) -> std::io::Result<usize> {
    let mut filled = 0;
    while filled < buf.len() {
        match input.read(&mut buf[filled..]) {
            Ok(0) => break,
            Ok(n) => filled += n,
            Err(err) if err.kind() == ErrorKind::Interrupted => {}
            Err(err) => return Err(err),
        }
    }
    Ok(filled)
}

/// Sample rates outside this range are mistakes of the header or of the time column, in Hz.
pub(super) const RATE_RANGE_HZ: std::ops::RangeInclusive<f64> = 100.0..=1.0e6;

/// More channels than any recorder has: the header is broken.
pub(super) const MAX_CHANNELS: u16 = 64;
