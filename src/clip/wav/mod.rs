//! WAV in every PCM form, decoded block by block through `hound`.
//!
//! `hound` refuses files whose sizes are wrong and counts samples in 32 bits; recorders that lose power leave just such
//! files behind. So the header is read here, and `hound` gets each block of sound data behind a clean header.

mod header;

use std::io::SeekFrom;
use std::path::{Path, PathBuf};

use symphonia::core::io::MediaSource;

use self::header::{Coding, Fit, Header, Law};
use super::source::{Bound, Ending, Source, SourceInfo, read_full};
use super::{ClipError, Code, Finding};

/// A WAV file being read.
pub(super) struct WavSource {
    input: Box<dyn MediaSource>,
    path: PathBuf,
    header: Header,
    info: SourceInfo,
    /// 24 bits at the bottom of 4 bytes instead of at the top.
    low_24_in_4: bool,
    /// Bytes of sound data not yet read.
    left: u64,
    /// A clean header followed by the block in hand.
    block: Vec<u8>,
}

/// One step of 32-bit samples, re full scale.
const WHOLE_I32: f32 = 1.0 / (1_u32 << 31) as f32;
/// Length of the clean header.
const CLEAN_HEADER_LEN: usize = 44;

impl WavSource {
    /// Reads the header.
    ///
    /// # Errors
    /// As [`header::read`].
    pub(super) fn open(mut input: Box<dyn MediaSource>, path: &Path) -> Result<Self, ClipError> {
        let header = header::read(&mut *input, path)?;
        let io = |source| ClipError::Read { path: path.to_path_buf(), source };
        input.seek(SeekFrom::Start(header.data_start)).map_err(io)?;
        let mut low_24_in_4 = false;
        if header.coding == Coding::Int && header.bytes == 4 && header.bits == 24 {
            low_24_in_4 = sits_low(&mut *input, header.extensible).map_err(io)?;
            input.seek(SeekFrom::Start(header.data_start)).map_err(io)?;
        }
        let format = match header.coding {
            Coding::Int => format!("WAV {}-bit integer", header.bits),
            Coding::Float => format!("WAV {}-bit float", header.bits),
            Coding::Law(Law::Mu) => "WAV mu-law".into(),
            Coding::Law(Law::A) => "WAV A-law".into(),
        };
        let info = SourceInfo {
            rate_hz: f64::from(header.rate_hz),
            channels: header.channels,
            format,
            // The steps of the laws of G.711 grow with the level; their 8 bits say nothing about the finest.
            bits: (!matches!(header.coding, Coding::Law(_))).then_some(header.bits),
            bound: if header.coding == Coding::Float { Bound::Float } else { Bound::Integer },
        };
        let left = header.data_len;
        let path = path.to_path_buf();
        Ok(Self { input, path, header, info, low_24_in_4, left, block: Vec::new() })
    }

    /// A header for `n_bytes` of sound data that `hound` accepts.
    fn clean_header(&self, n_bytes: u32) -> [u8; CLEAN_HEADER_LEN] {
        let Header { bytes, channels, coding, .. } = self.header;
        let bits = if self.low_24_in_4 { 24 } else { 8 * bytes };
        let align = bytes * channels;
        let tag: u16 = if coding == Coding::Float { 3 } else { 1 };
        let rate = self.header.rate_hz;
        let mut head = [0; CLEAN_HEADER_LEN];
        let mut at = 0;
        let mut put = |part: &[u8]| {
            head[at..at + part.len()].copy_from_slice(part);
            at += part.len();
        };
        put(b"RIFF");
        put(&n_bytes.saturating_add(36).to_le_bytes());
        put(b"WAVEfmt ");
        put(&16_u32.to_le_bytes());
        put(&tag.to_le_bytes());
        put(&channels.to_le_bytes());
        put(&rate.to_le_bytes());
        put(&(rate * u32::from(align)).to_le_bytes());
        put(&align.to_le_bytes());
        put(&bits.to_le_bytes());
        put(b"data");
        put(&n_bytes.to_le_bytes());
        head
    }

    /// Decodes the block in hand, whose sound data end at `end`.
    fn decode(&self, end: usize, out: &mut Vec<f32>) -> Result<(), hound::Error> {
        let data = &self.block[CLEAN_HEADER_LEN..end];
        if self.header.coding == Coding::Float && self.header.bytes == 8 {
            // hound has no 64-bit floats.
            #[expect(clippy::cast_possible_truncation, reason = "24 bits of precision are plenty for sound")]
            out.extend(data.as_chunks::<8>().0.iter().map(|b| f64::from_le_bytes(*b) as f32));
            return Ok(());
        }
        if let Coding::Law(law) = self.header.coding {
            // Nor has it the laws of G.711.
            out.extend(data.iter().map(|&code| f32::from(expand(law, code)) / 32768.0));
            return Ok(());
        }
        let reader = hound::WavReader::new(&self.block[..end])?;
        if self.low_24_in_4 {
            for sample in reader.into_samples::<i32>() {
                out.push(sample? as f32 * (1.0 / 8_388_608.0));
            }
            return Ok(());
        }
        // hound has found the data; a whole block at once is converted many times faster than sample by sample.
        let data = reader.into_inner();
        match (self.header.coding, self.header.bytes) {
            (Coding::Float, _) => out.extend(data.as_chunks::<4>().0.iter().map(|b| f32::from_le_bytes(*b))),
            (_, 1) => out.extend(data.iter().map(|&b| (f32::from(b) - 128.0) * (1.0 / 128.0))),
            (_, 2) => {
                out.extend(data.as_chunks::<2>().0.iter().map(|b| f32::from(i16::from_le_bytes(*b)) * (1.0 / 32768.0)));
            }
            (_, 3) => out.extend(
                // The three bytes at the top of four: the sign comes along.
                data.as_chunks::<3>().0.iter().map(|b| i32::from_le_bytes([0, b[0], b[1], b[2]]) as f32 * WHOLE_I32),
            ),
            _ => out.extend(data.as_chunks::<4>().0.iter().map(|b| i32::from_le_bytes(*b) as f32 * WHOLE_I32)),
        }
        Ok(())
    }
}

impl Source for WavSource {
    fn info(&self) -> &SourceInfo {
        &self.info
    }

    fn read_frames(&mut self, max_frames: usize, out: &mut Vec<f32>) -> Result<usize, ClipError> {
        out.clear();
        let frame = usize::from(self.header.bytes) * usize::from(self.header.channels);
        // hound counts in 32 bits; 64 MiB a block is far below and far above what is asked for.
        let most = (1 << 26) / frame;
        let left = usize::try_from(self.left / frame as u64).unwrap_or(usize::MAX);
        let n_bytes = max_frames.min(most).min(left) * frame;
        if n_bytes == 0 {
            return Ok(0);
        }
        self.block.resize(CLEAN_HEADER_LEN + n_bytes, 0);
        let got = read_full(&mut *self.input, &mut self.block[CLEAN_HEADER_LEN..])
            .map_err(|source| ClipError::Read { path: self.path.clone(), source })?;
        // The file may have been cut while it was read.
        let got = got / frame * frame;
        self.left = if got < n_bytes { 0 } else { self.left - got as u64 };
        if got == 0 {
            return Ok(0);
        }
        let head = self.clean_header(u32::try_from(got).unwrap_or(u32::MAX));
        self.block[..CLEAN_HEADER_LEN].copy_from_slice(&head);
        out.reserve(got / usize::from(self.header.bytes));
        self.decode(CLEAN_HEADER_LEN + got, out).map_err(|source| ClipError::Decode {
            path: self.path.clone(),
            format: "WAV".into(),
            source: Box::new(source),
        })?;
        Ok(out.len() / usize::from(self.header.channels))
    }

    fn frames_left(&self) -> Option<u64> {
        Some(self.left / (u64::from(self.header.bytes) * u64::from(self.header.channels)))
    }

    fn skip_frames(&mut self, n: u64) -> Result<(), ClipError> {
        let frame = u64::from(self.header.bytes) * u64::from(self.header.channels);
        let n_bytes = n.saturating_mul(frame).min(self.left);
        self.left -= n_bytes;
        let at = self.header.data_start + self.header.data_len - self.left;
        self.input
            .seek(SeekFrom::Start(at))
            .map(|_| ())
            .map_err(|source| ClipError::Read { path: self.path.clone(), source })
    }

    fn ending(&mut self) -> Ending {
        let frame = u64::from(self.header.bytes) * u64::from(self.header.channels);
        let seconds = |n_bytes: u64| (n_bytes / frame) as f64 / f64::from(self.header.rate_hz);
        let there = seconds(self.header.data_len);
        let text = match (self.header.fit, self.header.promised) {
            (Fit::Whole, _) => return Ending::default(),
            (Fit::Short, Some(promised)) => format!(
                "The file ends early: its header promises {:.1} s, {there:.1} s are there and were used. Copy it again, \
                 or let the recorder finish before taking the card out.",
                seconds(promised)
            ),
            _ => format!(
                "The header was never finished, as when a recorder loses power; the {there:.1} s that are there were \
                 used. Let the recorder stop by itself next time."
            ),
        };
        Ending { findings: vec![Finding::warn(Code::CutOff, text)], ..Ending::default() }
    }
}

/// One sample of G.711 (ITU-T) as 16 bits.
fn expand(law: Law, code: u8) -> i16 {
    match law {
        Law::Mu => {
            let code = !code;
            let size = (((i16::from(code) & 0x0f) << 3) + 0x84) << ((code & 0x70) >> 4);
            if code & 0x80 == 0 { size - 0x84 } else { 0x84 - size }
        }
        Law::A => {
            let code = code ^ 0x55;
            let fine = (i16::from(code) & 0x0f) << 4;
            let size = match (code & 0x70) >> 4 {
                0 => fine + 8,
                segment => (fine + 0x108) << (segment - 1),
            };
            if code & 0x80 == 0 { -size } else { size }
        }
    }
}

/// Whether 24-bit samples in 4 bytes sit at the bottom of their container.
///
/// The standard says top; recorders write both. Bottom it is when the top byte only repeats the sign and the lowest
/// byte is in use.
fn sits_low(input: &mut dyn MediaSource, extensible: bool) -> std::io::Result<bool> {
    let mut head = vec![0; 1 << 16];
    let got = read_full(input, &mut head)?;
    let samples = head[..got].as_chunks::<4>().0;
    let used_low = samples.iter().any(|s| s[0] != 0);
    let sign_only = samples.iter().all(|s| s[3] == if s[2] & 0x80 == 0 { 0 } else { 0xff });
    Ok(sign_only && (used_low || !extensible))
}

#[cfg(test)]
mod tests;
