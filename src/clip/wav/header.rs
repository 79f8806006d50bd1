//! Finds the format and the sound data of a WAV file, also in files whose sizes were never filled in.
//!
//! Goes in: the start of a RIFF/WAVE, RF64/BW64 (EBU Tech 3306) or Wave64 file. Comes out: how the samples are stored,
//! where they start and how many bytes there really are.

use std::io::SeekFrom;
use std::path::Path;

use symphonia::core::io::MediaSource;

use crate::clip::source::{MAX_CHANNELS, RATE_RANGE_HZ, read_full};
use crate::clip::{ClipError, sniff};

/// How one sample is stored.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Coding {
    /// Integer in a container of 1 to 4 bytes.
    Int,
    /// Floating point of 4 or 8 bytes.
    Float,
    /// G.711 mu-law or A-law, one byte.
    Law(Law),
}

/// The two laws of G.711.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Law {
    Mu,
    A,
}

/// How far the sizes of the header can be believed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Fit {
    /// The file holds what the header says.
    Whole,
    /// The header says more than there is.
    Short,
    /// The sizes were never filled in.
    Unfinished,
}

/// What the header says, checked against the length of the file.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Header {
    pub(super) coding: Coding,
    pub(super) channels: u16,
    pub(super) rate_hz: u32,
    /// Bytes a stored sample.
    pub(super) bytes: u16,
    /// Bits that count, at most `8 * bytes`.
    pub(super) bits: u16,
    /// Whether the format block has the extensible form, whose bits sit at the top of their container.
    pub(super) extensible: bool,
    /// First byte of the sound data.
    pub(super) data_start: u64,
    /// Bytes of sound data that are there, whole frames only.
    pub(super) data_len: u64,
    /// Bytes of sound data that the header promises, where it does.
    pub(super) promised: Option<u64>,
    pub(super) fit: Fit,
}

/// More chunks than any recorder writes before its data.
const MAX_CHUNKS: usize = 4096;

/// Reads the header and leaves the position of `input` undefined.
///
/// # Errors
/// [`ClipError::Header`] for a header that makes no sense, [`ClipError::NoSamples`] for one with nothing behind it.
pub(super) fn read(input: &mut dyn MediaSource, path: &Path) -> Result<Header, ClipError> {
    let n_bytes = input.byte_len().unwrap_or(0);
    let wrong = |what: &str| ClipError::Header { path: path.to_path_buf(), format: "WAV", what: what.to_owned() };
    let io = |source| ClipError::Read { path: path.to_path_buf(), source };

    let mut walk = Walk::start(input, n_bytes).map_err(io)?;
    let mut format = None;
    let mut promised64 = None;
    for _ in 0..MAX_CHUNKS {
        let Some(chunk) = walk.next(input).map_err(io)? else {
            return Err(match format {
                Some(_) => ClipError::NoSamples { path: path.to_path_buf() },
                None => wrong("it ends before the format block"),
            });
        };
        match &chunk.id {
            b"fmt " => {
                let mut block = [0; 40];
                let wanted = usize::try_from(chunk.len).unwrap_or(40).min(40);
                let got = read_full(input, &mut block[..wanted]).map_err(io)?;
                format = Some(parse_format(&block[..got]).map_err(|bad| match bad {
                    Bad::Senseless(what) => wrong(&what),
                    Bad::Unsupported(what) => ClipError::Unsupported { path: path.to_path_buf(), what },
                })?);
            }
            b"ds64" => {
                let mut block = [0; 16];
                if read_full(input, &mut block).map_err(io)? == 16 {
                    promised64 = block[8..16].try_into().ok().map(u64::from_le_bytes);
                }
            }
            b"data" => {
                let Some(mut header) = format else {
                    return Err(wrong("the sound data come before the format block"));
                };
                header.data_start = chunk.start;
                let promise = match promised64 {
                    Some(len) if chunk.len == u64::from(u32::MAX) => len,
                    _ => chunk.len,
                };
                let mut tail = [0; 8];
                let n_tail = read_full(input, &mut tail).map_err(io)?;
                fit_to_file(&mut header, promise, n_bytes, &tail[..n_tail]);
                if header.data_len == 0 {
                    return Err(ClipError::NoSamples { path: path.to_path_buf() });
                }
                return Ok(header);
            }
            _ => {}
        }
    }
    Err(wrong("no sound data among its first blocks"))
}

/// Settles `data_len`, `promised` and `fit`. `tail` is what follows the data chunk's own head.
fn fit_to_file(header: &mut Header, promise: u64, n_bytes: u64, tail: &[u8]) {
    const WRAP: u64 = 1 << 32;
    let there = n_bytes.saturating_sub(header.data_start);
    let unknown = promise >= u64::from(u32::MAX) - 255 && promise > there || promise == 0 && !starts_chunk(tail, there);
    // Recorders that go past 4 GB let the 32-bit size wrap round.
    let wrapped = promise < WRAP && there >= WRAP && (there - promise) % WRAP < 1 << 16;
    let frame = u64::from(header.bytes) * u64::from(header.channels);
    let usable = if unknown || wrapped { there } else { promise.min(there) };
    header.data_len = usable / frame * frame;
    header.promised = (!unknown && !wrapped).then_some(promise);
    header.fit = match () {
        () if unknown => Fit::Unfinished,
        () if !wrapped && promise > there => Fit::Short,
        () => Fit::Whole,
    };
}

/// Whether an empty data chunk is followed by another chunk, and so really is empty.
fn starts_chunk(tail: &[u8], there: u64) -> bool {
    match tail {
        [id @ .., a, b, c, d] if id.len() == 4 => {
            let len = u64::from(u32::from_le_bytes([*a, *b, *c, *d]));
            id.iter().all(|b| b.is_ascii_graphic() || *b == b' ') && len + 8 <= there
        }
        _ => true,
    }
}

/// Why a format block is of no use.
enum Bad {
    Senseless(String),
    Unsupported(String),
}

/// Reads a format block of 16 bytes or more.
fn parse_format(block: &[u8]) -> Result<Header, Bad> {
    const PCM: u16 = 1;
    const FLOAT: u16 = 3;
    const A_LAW: u16 = 6;
    const MU_LAW: u16 = 7;
    const EXTENSIBLE: u16 = 0xfffe;
    let u16_at = |at: usize| block.get(at..at + 2).and_then(|b| b.try_into().ok()).map(u16::from_le_bytes);
    let u32_at = |at: usize| block.get(at..at + 4).and_then(|b| b.try_into().ok()).map(u32::from_le_bytes);
    let (Some(tag), Some(channels), Some(rate_hz), Some(align), Some(bits)) =
        (u16_at(0), u16_at(2), u32_at(4), u16_at(12), u16_at(14))
    else {
        return Err(Bad::Senseless("its format block is shorter than 16 bytes".into()));
    };
    if channels == 0 {
        return Err(Bad::Senseless("it says 0 channels".into()));
    }
    if channels > MAX_CHANNELS {
        return Err(Bad::Senseless(format!("it says {channels} channels, more than {MAX_CHANNELS}")));
    }
    if !RATE_RANGE_HZ.contains(&f64::from(rate_hz)) {
        return Err(Bad::Senseless(format!("it says {rate_hz} samples per second")));
    }
    // In the extensible form the real tag is the first two bytes of the sub-format GUID.
    let extensible = tag == EXTENSIBLE;
    let tag = if extensible {
        u16_at(24).ok_or(Bad::Senseless("its extensible format block is cut short".into()))?
    } else {
        tag
    };
    let coding = match tag {
        PCM => Coding::Int,
        FLOAT => Coding::Float,
        A_LAW => Coding::Law(Law::A),
        MU_LAW => Coding::Law(Law::Mu),
        other => return Err(Bad::Unsupported(format!("a WAV around another coding (format tag {other:#06x})"))),
    };
    let from_bits = bits.div_ceil(8);
    let bytes =
        if align % channels == 0 && align / channels >= from_bits.max(1) { align / channels } else { from_bits };
    let sensible = match coding {
        Coding::Int => (1..=4).contains(&bytes) && bits >= 1,
        Coding::Float => bytes == 4 || bytes == 8,
        Coding::Law(_) => bytes == 1 && bits == 8,
    };
    if !sensible {
        return Err(Bad::Senseless(format!("it says {bits}-bit samples in {bytes} bytes")));
    }
    let bits = match u16_at(18) {
        Some(valid) if extensible && (1..=bits).contains(&valid) => valid,
        _ => bits,
    };
    Ok(Header {
        coding,
        channels,
        rate_hz,
        bytes: bytes.max(1),
        bits,
        extensible,
        data_start: 0,
        data_len: 0,
        promised: None,
        fit: Fit::Whole,
    })
}

/// One chunk: its name, where its content starts, how long it says it is.
struct Chunk {
    id: [u8; 4],
    start: u64,
    len: u64,
}

/// Steps from chunk to chunk.
struct Walk {
    wave64: bool,
    at: u64,
    n_bytes: u64,
}

impl Walk {
    fn start(input: &mut dyn MediaSource, n_bytes: u64) -> std::io::Result<Self> {
        let mut head = [0; 16];
        input.seek(SeekFrom::Start(0))?;
        let got = read_full(input, &mut head)?;
        let wave64 = got == 16 && head == sniff::W64_RIFF;
        // Wave64: outer GUID, size, GUID "wave". RIFF: "RIFF", size, "WAVE".
        Ok(Self { wave64, at: if wave64 { 40 } else { 12 }, n_bytes })
    }

    /// The next chunk, with `input` at the start of its content; `None` when the file ends.
    fn next(&mut self, input: &mut dyn MediaSource) -> std::io::Result<Option<Chunk>> {
        let head_len = if self.wave64 { 24 } else { 8 };
        if self.at.saturating_add(head_len) > self.n_bytes {
            return Ok(None);
        }
        input.seek(SeekFrom::Start(self.at))?;
        let mut head = [0; 24];
        let head = &mut head[..if self.wave64 { 24 } else { 8 }];
        if read_full(input, head)? < head.len() {
            return Ok(None);
        }
        let id = [head[0], head[1], head[2], head[3]];
        let start = self.at + head_len;
        let len = if self.wave64 {
            // Wave64 sizes count the chunk's own head and are padded to 8 bytes.
            let mut size = [0; 8];
            size.copy_from_slice(&head[16..24]);
            u64::from_le_bytes(size).saturating_sub(24)
        } else {
            u64::from(u32::from_le_bytes([head[4], head[5], head[6], head[7]]))
        };
        let pad = if self.wave64 { len.wrapping_neg() % 8 } else { len % 2 };
        self.at = start.saturating_add(len).saturating_add(pad);
        Ok(Some(Chunk { id, start, len }))
    }
}
