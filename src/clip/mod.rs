//! A recording in, samples with units and named quality findings out.

mod finding;
pub use finding::{Code, Effect, Finding};

use std::path::PathBuf;

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
    /// Where it came from; the name the results use.
    pub path: PathBuf,
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
