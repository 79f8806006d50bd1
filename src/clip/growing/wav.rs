//! A WAV file that is whole at any moment: sound goes to the disk as it comes, the header twice a second.

use std::fs::{File, OpenOptions};
use std::io::{BufWriter, Read as _, Seek as _, SeekFrom, Write as _};
use std::path::Path;

use super::Format;

/// How samples are stored.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Depth {
    /// 24-bit integers: all that converters deliver, a quarter smaller than float.
    #[default]
    Int24,
    /// 32-bit float, bit for bit what the source delivers.
    Float32,
}

/// Seconds of sound after which the header is written and all is synced: what a power cut may cost.
const HEADER_EVERY_S: f64 = 0.5;
/// Largest file: the sizes of a WAV file have 32 bits; a second's sound stays below the end.
const MOST_BYTES: u64 = (1 << 32) - (1 << 26);
/// Full scale of 24-bit samples.
const TOP_24: f32 = 8_388_608.0;
/// Begins the comment that closes a recording of a book.
const COMMENT: &str = "seatsong recording ";

/// A recording being written.
pub(crate) struct Writer {
    wav: hound::WavWriter<BufWriter<File>>,
    /// The same file, for syncing; it holds the lock that tells other programs that it is being written.
    file: File,
    depth: Depth,
    frame_bytes: u64,
    frames: u64,
    since_header: u64,
    header_every: u64,
}

impl std::fmt::Debug for Writer {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Writer").field("depth", &self.depth).field("frames", &self.frames).finish_non_exhaustive()
    }
}

fn io(err: hound::Error) -> std::io::Error {
    match err {
        hound::Error::IoError(e) => e,
        other => std::io::Error::other(other.to_string()),
    }
}

impl Writer {
    /// Makes a new file; one that exists is never written over.
    pub(crate) fn create(path: &Path, format: Format, depth: Depth) -> std::io::Result<Self> {
        let own = OpenOptions::new().read(true).write(true).create_new(true).open(path)?;
        // Where files can't be locked, recordings are told from abandoned ones by their age.
        let _ = own.lock();
        let file = own.try_clone()?;
        let (bits_per_sample, sample_format) = match depth {
            Depth::Int24 => (24, hound::SampleFormat::Int),
            Depth::Float32 => (32, hound::SampleFormat::Float),
        };
        let spec =
            hound::WavSpec { channels: format.channels, sample_rate: format.rate_hz, bits_per_sample, sample_format };
        let mut wav = hound::WavWriter::new(BufWriter::with_capacity(1 << 18, own), spec).map_err(io)?;
        wav.flush().map_err(io)?;
        file.sync_data()?;
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "half a second of frames")]
        let header_every = ((HEADER_EVERY_S * f64::from(format.rate_hz)) as u64).max(1);
        let frame_bytes = u64::from(bits_per_sample / 8) * u64::from(format.channels);
        Ok(Self { wav, file, depth, frame_bytes, frames: 0, since_header: 0, header_every })
    }

    /// Whether so many more frames still fit into a WAV file.
    pub(crate) fn has_room(&self, frames: u64) -> bool {
        (self.frames + frames).saturating_mul(self.frame_bytes) < MOST_BYTES
    }

    /// Appends frames, interleaved; header and sync when half a second has come.
    pub(crate) fn write(&mut self, frames: u64, samples: impl Iterator<Item = f32>) -> std::io::Result<()> {
        for x in samples {
            match self.depth {
                #[expect(clippy::cast_possible_truncation, reason = "within 24 bits by the clamp")]
                Depth::Int24 => {
                    self.wav.write_sample((x * TOP_24).round().clamp(-TOP_24, TOP_24 - 1.0) as i32).map_err(io)?;
                }
                Depth::Float32 => self.wav.write_sample(x).map_err(io)?,
            }
        }
        self.frames += frames;
        self.since_header += frames;
        if self.since_header >= self.header_every {
            self.since_header = 0;
            self.wav.flush().map_err(io)?;
            self.file.sync_data()?;
        }
        Ok(())
    }

    /// Finishes the file; the returned handle keeps it locked.
    pub(crate) fn finish(self) -> std::io::Result<File> {
        self.wav.finalize().map_err(io)?;
        self.file.sync_all()?;
        Ok(self.file)
    }
}

/// Where the sound of a recording lies in its file.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Data {
    start: u64,
    len: u64,
    frame_bytes: u64,
    rate_hz: u32,
}

/// Finds the sound of a file that [`Writer`] made.
fn data(file: &mut File) -> std::io::Result<Data> {
    let wrong =
        || std::io::Error::new(std::io::ErrorKind::InvalidData, "it does not begin like a recording of this program");
    let mut head = Vec::new();
    file.seek(SeekFrom::Start(0))?;
    file.take(256).read_to_end(&mut head)?;
    let word = |at: usize| head.get(at..at + 4).and_then(|b| b.try_into().ok()).map(u32::from_le_bytes);
    if head.get(..4) != Some(b"RIFF") || head.get(8..16) != Some(b"WAVEfmt ") {
        return Err(wrong());
    }
    let (rate_hz, align) = (word(24).ok_or_else(wrong)?, word(32).ok_or_else(wrong)? & 0xffff);
    let mut at = 12;
    while let (Some(id), Some(len)) = (head.get(at..at + 4), word(at + 4)) {
        if id == b"data" {
            return Ok(Data { start: at as u64 + 8, len: len.into(), frame_bytes: align.max(1).into(), rate_hz });
        }
        at += 8 + len as usize + (len % 2) as usize;
    }
    Err(wrong())
}

/// What [`close`] found.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Closed {
    /// Length of the sound in seconds.
    pub length_s: f64,
    /// Frames of sound.
    pub frames: u64,
}

/// Makes the header of a recording fit what is on the disk, and writes behind the sound which recording it is, so that no two
/// recordings have the same bytes. Can be done again.
///
/// # Errors
/// A file that can't be read or written, or that is none of this program's recordings.
pub fn close(path: &Path, name: &str) -> std::io::Result<Closed> {
    let mut file = OpenOptions::new().read(true).write(true).open(path)?;
    let mut found = data(&mut file)?;
    let end = file.metadata()?.len();
    let mark = format!("{COMMENT}{name}");
    if comment_at(&mut file, found.start + found.len + found.len % 2)?.as_deref() != Some(mark.as_str()) {
        // The header may be half a second older than the sound.
        found.len = end.saturating_sub(found.start) / found.frame_bytes * found.frame_bytes;
        file.set_len(found.start + found.len)?;
        set_sizes(&mut file, found, found.start + found.len)?;
        file.sync_all()?;
        let padded = found.len + found.len % 2;
        // Even: chunks begin at even places.
        let mut text = mark.into_bytes();
        text.push(0);
        text.resize(text.len().next_multiple_of(2), 0);
        let mut chunk = b"LIST".to_vec();
        let size = |n: usize| u32::try_from(n).unwrap_or(u32::MAX).to_le_bytes();
        chunk.extend(size(12 + text.len()));
        chunk.extend(b"INFOICMT");
        chunk.extend(size(text.len()));
        chunk.extend(text);
        file.set_len(found.start + padded)?;
        file.seek(SeekFrom::Start(found.start + padded))?;
        file.write_all(&chunk)?;
    }
    let end = file.metadata()?.len();
    set_sizes(&mut file, found, end)?;
    file.sync_all()?;
    let frames = found.len / found.frame_bytes;
    Ok(Closed { length_s: frames as f64 / f64::from(found.rate_hz.max(1)), frames })
}

/// The comment in a chunk at a place, if there is one.
fn comment_at(file: &mut File, at: u64) -> std::io::Result<Option<String>> {
    let mut bytes = Vec::new();
    file.seek(SeekFrom::Start(at))?;
    file.take(512).read_to_end(&mut bytes)?;
    if bytes.get(..4) != Some(b"LIST") || bytes.get(8..16) != Some(b"INFOICMT") {
        return Ok(None);
    }
    let text: Vec<u8> = bytes.get(20..).unwrap_or_default().iter().copied().take_while(|b| *b != 0).collect();
    Ok(String::from_utf8(text).ok())
}

fn set_sizes(file: &mut File, found: Data, end: u64) -> std::io::Result<()> {
    let size = |n: u64| u32::try_from(n).unwrap_or(u32::MAX).to_le_bytes();
    file.seek(SeekFrom::Start(4))?;
    file.write_all(&size(end.saturating_sub(8)))?;
    file.seek(SeekFrom::Start(found.start - 4))?;
    file.write_all(&size(found.len))
}

#[cfg(test)]
mod tests {
    use super::*;

    const STEREO: Format = Format { rate_hz: 8_000, channels: 2 };

    #[expect(clippy::cast_precision_loss, reason = "small numbers")]
    fn ramp(n: u32) -> Vec<f32> {
        (0..n).map(|k| (k % 1000) as f32 / 1024.0 - 0.5).collect()
    }

    #[test]
    fn both_depths_come_back_as_they_were() {
        let dir = tempfile::tempdir().unwrap();
        for (depth, name) in [(Depth::Int24, "a.wav"), (Depth::Float32, "b.wav")] {
            let path = dir.path().join(name);
            let mut writer = Writer::create(&path, STEREO, depth).unwrap();
            writer.write(6_000, ramp(12_000).into_iter()).unwrap();
            drop(writer.finish().unwrap());
            assert!(Writer::create(&path, STEREO, depth).is_err(), "a recording is never written over");
            let mut back = hound::WavReader::open(&path).unwrap();
            assert_eq!((back.spec().channels, back.spec().sample_rate), (STEREO.channels, STEREO.rate_hz));
            let samples: Vec<f32> = match depth {
                Depth::Int24 => back.samples::<i32>().map(|x| x.unwrap() as f32 / TOP_24).collect(),
                Depth::Float32 => back.samples::<f32>().map(Result::unwrap).collect(),
            };
            assert_eq!(samples, ramp(12_000));
        }
    }

    #[test]
    fn an_abandoned_file_is_closed_with_all_that_is_in_it() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("cut.wav");
        let mut writer = Writer::create(&path, Format { rate_hz: 8_000, channels: 1 }, Depth::Int24).unwrap();
        writer.write(8_001, ramp(8_001).into_iter()).unwrap();
        // As a kill leaves it: never finished, more sound than the header says, a frame cut in two.
        std::mem::forget(writer);
        let mut file = OpenOptions::new().append(true).open(&path).unwrap();
        file.write_all(&[1, 2, 3, 4, 5]).unwrap();
        drop(file);
        let closed = close(&path, "x").unwrap();
        assert_eq!(closed.frames, 8_002);
        assert_eq!(close(&path, "x").unwrap(), closed, "can be done again");
        let clip = crate::clip::read(&path, &crate::clip::ReadSettings::default()).unwrap();
        assert_eq!(clip.samples.len(), 8_002);
        assert!(clip.findings.iter().all(|f| f.code != crate::clip::Code::CutOff), "{:?}", clip.findings);
        std::fs::write(&path, "not a recording").unwrap();
        assert!(close(&path, "x").is_err());
    }
}
