//! A recording in, samples with units and named quality findings out.

mod blocks;
mod calibrate;
mod channel;
mod coded;
mod error;
mod finding;
mod gain;
pub mod growing;
mod ingest;
mod judge;
mod mend;
mod sniff;
mod source;
mod stretch;
mod table;
pub mod taps;
mod thin;
mod wav;

pub use calibrate::{calibrator, metres_per_s2_per_full_scale};
pub use error::ClipError;
pub use finding::{Code, Effect, Finding};
pub use sniff::{recording_kind, recording_kind_of};

use std::path::Path;
use std::sync::Arc;

use sniff::Kind;
use source::{Origin, Source};

/// What one unit of [`Clip::samples`] means, and so the reference of every level computed from them.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Scale {
    /// 1.0 is digital full scale: levels are dB re full scale.
    FullScale,
    /// m/s2: levels are dB re 1 m/s2.
    MetrePerSecond2,
    /// Pa: levels are dB re 20 uPa.
    Pascal,
}

/// One recording at one spot: the channel to analyse, its marks channel if it has one, and what was found wrong.
///
/// For a file longer than [`ReadSettings::max_kept_s`] only the cleanest stretch of that length is held in memory;
/// the findings speak of the whole file.
#[derive(Debug, Clone)]
pub struct Clip {
    /// The analysed channel, unit as in `scale`, all finite. Shape `(n_samples,)`.
    pub samples: Vec<f32>,
    /// Samples per second per channel.
    pub sample_rate_hz: f64,
    /// What one unit of `samples` means.
    pub scale: Scale,
    /// The pulse channel, same length and clock as `samples`, if one was asked for and the file has it.
    pub pulse: Option<Vec<f32>>,
    /// Start of `samples` within the file, in seconds.
    pub start_s: f64,
    /// Length of the whole file, in seconds.
    pub file_s: f64,
    /// Channels in the file.
    pub channels: u16,
    /// How the file stores its samples, in words: `WAV 24-bit integer`, `FLAC`, `CSV`.
    pub format: String,
    /// Bits a sample of the stored form, where it has such a number.
    pub bits: Option<u16>,
    /// What was found about the recording before the stroke is looked for.
    pub findings: Vec<Finding>,
}

impl Clip {
    /// Sound that is in memory already, re full scale, as a clip of one channel without findings.
    #[cfg(not(product))]
    #[must_use]
    pub fn in_memory(samples: Vec<f32>, sample_rate_hz: f64, pulse: Option<Vec<f32>>) -> Self {
        let file_s = samples.len() as f64 / sample_rate_hz;
        Self {
            samples,
            sample_rate_hz,
            scale: Scale::FullScale,
            pulse,
            start_s: 0.0,
            file_s,
            channels: 1,
            format: "made up".into(),
            bits: None,
            findings: Vec::new(),
        }
    }
}

/// How to turn stored numbers into physical units.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub enum Calibration {
    /// Leave samples re digital full scale.
    #[default]
    None,
    /// Multiply by this many m/s2 per full scale (accelerometer: volts full scale / (mV per g) x 9.80665 x 1000).
    MetrePerSecond2PerFullScale(f64),
    /// Multiply by this many Pa per full scale (from a calibrator clip).
    PascalPerFullScale(f64),
}

/// How to read a file.
#[derive(Debug, Clone, PartialEq)]
pub struct ReadSettings {
    /// Channel to analyse, 1-based; `None`: the first, or the only live one.
    pub channel: Option<u16>,
    /// Pulse channel, 1-based. A file without that channel simply carries no mark.
    pub pulse: Option<u16>,
    /// Sample rate for CSV files without a time column, in Hz.
    pub rate_hz: Option<f64>,
    /// Unit of CSV values.
    pub csv_unit: CsvUnit,
    /// Turns stored numbers into physical units.
    pub calibration: Calibration,
    /// Longest stretch kept in memory, in seconds.
    pub max_kept_s: f64,
}

/// Unit of the values in an accelerometer CSV file.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum CsvUnit {
    /// Standard gravity, 9.80665 m/s2.
    #[default]
    G,
    /// m/s2.
    MetrePerSecond2,
}

impl Default for ReadSettings {
    fn default() -> Self {
        Self {
            channel: None,
            pulse: None,
            rate_hz: None,
            csv_unit: CsvUnit::default(),
            calibration: Calibration::None,
            max_kept_s: 120.0,
        }
    }
}

/// Reads a recording: WAV, FLAC, MP3, AAC, M4A, Ogg Vorbis, AIFF, or a table from an accelerometer.
///
/// The content decides what it is, the name only where the content leaves it open. Samples that are no numbers become 0.
/// Of a partly spoilt recording the longest clean stretch is kept (at least 10 s), of one longer than
/// [`ReadSettings::max_kept_s`] the cleanest stretch; [`Clip::findings`] say so. Memory stays bounded whatever the length.
///
/// # Errors
/// [`ClipError`] if there is nothing to analyse: no such file, not a recording, damaged beyond reading, no such channel.
/// A recording that can be read but not judged is no error: it has a finding with [`Effect::Refuse`].
pub fn read(path: &Path, settings: &ReadSettings) -> Result<Clip, ClipError> {
    read_origin(&Origin::File(path), settings)
}

/// Reads a WAV file that lies in memory, as [`read`] with default settings.
///
/// # Errors
/// As [`read`].
#[cfg(not(product))]
pub fn parse_wav_bytes(bytes: &[u8]) -> Result<Clip, ClipError> {
    let path = Path::new("bytes.wav");
    let origin = Origin::Bytes(path, Arc::from(bytes));
    let settings = ReadSettings::default();
    ingest::ingest(&origin, &|| open_wav(&origin), &settings)
}

/// Reads a WAV file that lies in memory under a name, as [`read`].
///
/// # Errors
/// As [`read`].
pub fn read_bytes(name: &str, bytes: Arc<[u8]>, settings: &ReadSettings) -> Result<Clip, ClipError> {
    let origin = Origin::Bytes(Path::new(name), bytes);
    ingest::ingest(&origin, &|| open_wav(&origin), settings)
}

/// Reads an accelerometer table that lies in memory, as [`read`].
///
/// # Errors
/// As [`read`].
#[cfg(not(product))]
pub fn parse_csv_bytes(bytes: &[u8], settings: &ReadSettings) -> Result<Clip, ClipError> {
    let path = Path::new("bytes.csv");
    let origin = Origin::Bytes(path, Arc::from(bytes));
    ingest::ingest(&origin, &|| open_table(&origin, settings), settings)
}

/// Bytes from which the kind is told.
const SNIFF_BYTES: usize = 4096;

/// Samples a second of a recording, from its beginning alone.
///
/// # Errors
/// As [`read`].
pub fn sample_rate_hz(path: &Path) -> Result<f64, ClipError> {
    let origin = Origin::File(path);
    Ok(open(&origin, kind_of(&origin)?, &ReadSettings::default())?.info().rate_hz)
}

fn kind_of(origin: &Origin<'_>) -> Result<Kind, ClipError> {
    let path = origin.path();
    let mut input = origin.open()?;
    let mut head = vec![0; SNIFF_BYTES];
    let n = source::read_full(&mut *input, &mut head).map_err(|err| origin.read_error(err))?;
    head.truncate(n);
    sniff::sniff(&head, path).map_err(|what| ClipError::NotAudio { path: path.to_path_buf(), what })
}

fn open(origin: &Origin<'_>, kind: Kind, settings: &ReadSettings) -> Result<Box<dyn Source>, ClipError> {
    match kind {
        Kind::Wav => open_wav(origin),
        Kind::Table => open_table(origin, settings),
        other => Ok(Box::new(coded::CodedSource::open(origin.open()?, origin.path(), other)?)),
    }
}

fn read_origin(origin: &Origin<'_>, settings: &ReadSettings) -> Result<Clip, ClipError> {
    let path = origin.path();
    let kind = kind_of(origin)?;
    let mut clip = ingest::ingest(origin, &|| open(origin, kind, settings), settings)?;
    if let Some(named) = Kind::from_extension(path).filter(|&named| named != kind) {
        let text = format!(
            "The name ends like {}, but the content is {}; it was read as {}. Rename the file.",
            named.name(),
            kind.name(),
            kind.name()
        );
        clip.findings.insert(0, Finding::warn(Code::WrongExtension, text));
    }
    Ok(clip)
}

fn open_wav(origin: &Origin<'_>) -> Result<Box<dyn Source>, ClipError> {
    Ok(Box::new(wav::WavSource::open(origin.open()?, origin.path())?))
}

fn open_table(origin: &Origin<'_>, settings: &ReadSettings) -> Result<Box<dyn Source>, ClipError> {
    Ok(Box::new(table::TableSource::open(origin.open()?, origin.path(), settings)?))
}
