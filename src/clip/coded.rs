//! FLAC, MP3, AAC, Ogg Vorbis and AIFF, through `symphonia`.

use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::{Path, PathBuf};

use symphonia::core::audio::GenericAudioBufferRef;
use symphonia::core::codecs::audio::well_known::{
    CODEC_ID_PCM_F32BE, CODEC_ID_PCM_F32LE, CODEC_ID_PCM_F64BE, CODEC_ID_PCM_F64LE,
};
use symphonia::core::codecs::audio::{AudioDecoder, AudioDecoderOptions};
use symphonia::core::errors::Error;
use symphonia::core::formats::probe::Hint;
use symphonia::core::formats::{FormatOptions, FormatReader, TrackType};
use symphonia::core::io::{MediaSource, MediaSourceStream};
use symphonia::core::meta::MetadataOptions;

use super::sniff::Kind;
use super::source::{Bound, Ending, MAX_CHANNELS, RATE_RANGE_HZ, Source, SourceInfo};
use super::{ClipError, Code, Finding, mend};

/// A compressed recording being read.
pub(super) struct CodedSource {
    format: Box<dyn FormatReader>,
    decoder: Box<dyn AudioDecoder>,
    track_id: u32,
    path: PathBuf,
    info: SourceInfo,
    /// Frames that the container promises.
    promised: Option<u64>,
    /// Decoded samples not yet handed out, interleaved, from `taken` on.
    pending: Vec<f32>,
    taken: usize,
    /// Frames decoded so far.
    decoded: u64,
    /// Packets that could not be decoded, as the frames before which they are missing.
    gaps: Vec<u64>,
    ended: Option<End>,
    /// Whether the sizes of the header had to be mended.
    mended: bool,
}

/// How the stream ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum End {
    Clean,
    Broken,
}

/// Packets in a row that give no sound before the stream counts as broken.
const MAX_IDLE_PACKETS: usize = 2000;

impl CodedSource {
    /// Opens the stream and decodes until the first sound, because some codecs tell rate and channels only then.
    ///
    /// # Errors
    /// [`ClipError::Unsupported`], [`ClipError::Decode`], [`ClipError::NoSamples`], [`ClipError::Header`].
    pub(super) fn open(input: Box<dyn MediaSource>, path: &Path, kind: Kind) -> Result<Self, ClipError> {
        guarded(path, kind.name(), || Self::open_unguarded(input, path, kind))?
    }

    fn open_unguarded(input: Box<dyn MediaSource>, path: &Path, kind: Kind) -> Result<Self, ClipError> {
        let wrap = |err: Error| match err {
            Error::Unsupported(what) => ClipError::Unsupported {
                path: path.to_path_buf(),
                what: format!("{} with an unknown coding ({what})", kind.name()),
            },
            other => {
                ClipError::Decode { path: path.to_path_buf(), format: kind.name().into(), source: Box::new(other) }
            }
        };
        let (input, mended) = match kind {
            Kind::Aiff => mend::aiff(input).map_err(|source| ClipError::Read { path: path.to_path_buf(), source })?,
            _ => (input, false),
        };
        let stream = MediaSourceStream::new(input, Default::default());
        let mut hint = Hint::new();
        hint.with_extension(match kind {
            Kind::Flac => "flac",
            Kind::Mp3 => "mp3",
            Kind::Adts => "aac",
            Kind::M4a => "m4a",
            Kind::Ogg => "ogg",
            Kind::Aiff => "aiff",
            Kind::Wav | Kind::Table => "",
        });
        let format = symphonia::default::get_probe()
            .probe(&hint, stream, FormatOptions::default(), MetadataOptions::default())
            .map_err(wrap)?;
        let no_track = || ClipError::Unsupported {
            path: path.to_path_buf(),
            what: format!("{} without a sound track", kind.name()),
        };
        let track = format.default_track(TrackType::Audio).ok_or_else(no_track)?;
        let params = track.codec_params.as_ref().and_then(|p| p.audio()).ok_or_else(no_track)?;
        let decoder = symphonia::default::get_codecs()
            .make_audio_decoder(params, &AudioDecoderOptions::default())
            .map_err(wrap)?;
        let bits = params.bits_per_sample.and_then(|b| u16::try_from(b).ok());
        let track_id = track.id;
        let promised = track.num_frames;
        let lossless = matches!(kind, Kind::Flac | Kind::Aiff);
        let floats = [CODEC_ID_PCM_F32BE, CODEC_ID_PCM_F32LE, CODEC_ID_PCM_F64BE, CODEC_ID_PCM_F64LE];
        let bound = match lossless {
            true if floats.contains(&params.codec) => Bound::Float,
            true => Bound::Integer,
            false => Bound::Lossy,
        };
        let info = SourceInfo {
            rate_hz: 0.0,
            channels: 0,
            format: kind.name().into(),
            bits: if lossless { bits } else { None },
            bound,
        };
        let mut source = Self {
            format,
            decoder,
            track_id,
            path: path.to_path_buf(),
            info,
            promised,
            pending: Vec::new(),
            taken: 0,
            decoded: 0,
            gaps: Vec::new(),
            ended: None,
            mended,
        };
        source.decode_more();
        source.settle(kind)?;
        Ok(source)
    }

    /// Checks what the first sound told, and words the format.
    fn settle(&mut self, kind: Kind) -> Result<(), ClipError> {
        let path = || self.path.clone();
        if self.pending.is_empty() {
            return Err(if self.gaps.is_empty() {
                ClipError::NoSamples { path: path() }
            } else {
                ClipError::Decode {
                    path: path(),
                    format: kind.name().into(),
                    source: "none of its packets could be decoded".into(),
                }
            });
        }
        let wrong = |what| ClipError::Header { path: path(), format: kind.name(), what };
        if self.info.channels == 0 || self.info.channels > MAX_CHANNELS {
            return Err(wrong(format!("it says {} channels", self.info.channels)));
        }
        if !RATE_RANGE_HZ.contains(&self.info.rate_hz) {
            return Err(wrong(format!("it says {} samples per second", self.info.rate_hz)));
        }
        let codec = self.decoder.codec_info().short_name;
        self.info.format = match (kind, self.info.bits) {
            (Kind::M4a, _) => format!("M4A {}", codec.to_uppercase()),
            (Kind::Ogg, _) => "Ogg Vorbis".into(),
            (_, Some(bits)) => format!("{} {bits}-bit", kind.name()),
            (_, None) => kind.name().into(),
        };
        Ok(())
    }

    /// Decodes packets until there is sound in `pending` or the stream has ended.
    fn decode_more(&mut self) {
        self.pending.clear();
        self.taken = 0;
        let mut idle = 0;
        while self.pending.is_empty() && self.ended.is_none() {
            idle += 1;
            if idle > MAX_IDLE_PACKETS {
                self.ended = Some(End::Broken);
                return;
            }
            let packet = match self.format.next_packet() {
                Ok(Some(packet)) => packet,
                Ok(None) => {
                    self.ended = Some(End::Clean);
                    return;
                }
                Err(Error::DecodeError(_)) => {
                    self.gaps.push(self.decoded);
                    continue;
                }
                Err(_) => {
                    self.ended = Some(End::Broken);
                    return;
                }
            };
            if packet.track_id != self.track_id {
                continue;
            }
            match self.decoder.decode(&packet) {
                Ok(sound) => {
                    if !take_sound(&sound, &mut self.info, &mut self.pending) {
                        self.ended = Some(End::Broken);
                        return;
                    }
                }
                Err(Error::DecodeError(_) | Error::IoError(_)) => self.gaps.push(self.decoded),
                Err(_) => self.ended = Some(End::Broken),
            }
        }
        let channels = usize::from(self.info.channels).max(1);
        self.decoded += (self.pending.len() / channels) as u64;
    }
}

/// Copies decoded sound into `pending`; false if rate or channels are no longer those of the beginning.
fn take_sound(sound: &GenericAudioBufferRef<'_>, info: &mut SourceInfo, pending: &mut Vec<f32>) -> bool {
    if sound.frames() == 0 {
        return true;
    }
    let rate_hz = f64::from(sound.spec().rate());
    let Ok(channels) = u16::try_from(sound.spec().channels().count()) else { return false };
    if info.channels == 0 {
        info.channels = channels;
        info.rate_hz = rate_hz;
    }
    if info.channels != channels || (info.rate_hz - rate_hz).abs() > 0.5 {
        return false;
    }
    sound.copy_to_vec_interleaved(pending);
    true
}

/// Runs decoder code that may panic on damaged content; a damaged file must not end the program.
fn guarded<T>(path: &Path, format: &str, work: impl FnOnce() -> T) -> Result<T, ClipError> {
    catch_unwind(AssertUnwindSafe(work))
        .map_err(|_| ClipError::DecoderFailed { path: path.to_path_buf(), format: format.to_owned() })
}

impl Source for CodedSource {
    fn info(&self) -> &SourceInfo {
        &self.info
    }

    fn read_frames(&mut self, max_frames: usize, out: &mut Vec<f32>) -> Result<usize, ClipError> {
        out.clear();
        let channels = usize::from(self.info.channels);
        let wanted = max_frames * channels;
        while out.len() < wanted {
            if self.taken == self.pending.len() {
                let path = self.path.clone();
                let format = self.info.format.clone();
                guarded(&path, &format, || self.decode_more())?;
                if self.pending.is_empty() {
                    break;
                }
            }
            let n = (wanted - out.len()).min(self.pending.len() - self.taken);
            out.extend_from_slice(&self.pending[self.taken..self.taken + n]);
            self.taken += n;
        }
        Ok(out.len() / channels)
    }

    fn ending(&mut self) -> Ending {
        let mut findings = Vec::new();
        let seconds = |frames: u64| frames as f64 / self.info.rate_hz;
        // Encoder delay and padding make a few thousand frames of difference.
        let short = self.promised.filter(|&p| p > self.decoded + 8192 && p < 1 << 48);
        if let Some(promised) = short {
            findings.push(Finding::warn(
                Code::CutOff,
                format!(
                    "The file ends early: its header promises {:.1} s, {:.1} s are there and were used. Copy it again, or \
                     let the recorder finish before taking the card out.",
                    seconds(promised),
                    seconds(self.decoded)
                ),
            ));
        } else if self.ended == Some(End::Broken) || self.mended {
            findings.push(Finding::warn(
                Code::CutOff,
                format!(
                    "The file breaks off after {:.1} s; what is there was used. Copy it again, or let the recorder finish \
                     before taking the card out.",
                    seconds(self.decoded)
                ),
            ));
        }
        Ending { findings, gaps: std::mem::take(&mut self.gaps), rate_hz: None }
    }
}
