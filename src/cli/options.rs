//! Options that several commands share, and what they mean.

use std::path::{Path, PathBuf};

use clap::{Args, ValueEnum};

use super::Usage;
use crate::clip::{self, Calibration, CsvUnit, ReadSettings};
use crate::score::request::TapsFile;
use crate::units::{NumberError, Pascal, QuantityError, number, pa_to_bar};

/// How the recordings are to be read
#[derive(Debug, Clone, Default, Args)]
#[command(next_help_heading = "Recordings")]
pub(crate) struct ReadArgs {
    /// Channel with the pump's sound, counted from 1 [default: the first that carries sound]
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u16).range(1..))]
    pub channel: Option<u16>,
    /// Channel with one pulse a turn at the start of module 1's discharge stroke, counted from 1; clips without it carry no mark
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u16).range(1..))]
    pub pulse: Option<u16>,
    /// Samples a second of CSV files that have no time column
    #[arg(long, value_name = "HZ", value_parser = positive)]
    pub rate: Option<f64>,
    /// Unit of the values in CSV files
    #[arg(long, value_name = "UNIT", value_enum, default_value_t)]
    pub csv_unit: Unit,
    /// Accelerometer: volts at which the recorder reaches full scale (with --mv-per-g)
    #[arg(long, value_name = "V", requires = "mv_per_g", value_parser = positive)]
    pub volts_full_scale: Option<f64>,
    /// Accelerometer: its sensitivity in mV per g (with --volts-full-scale)
    #[arg(long, value_name = "S", requires = "volts_full_scale", value_parser = positive)]
    pub mv_per_g: Option<f64>,
    /// Microphone: a clip of a 94 dB, 1 kHz sound calibrator, recorded at the same gain
    #[arg(long, value_name = "CLIP", conflicts_with = "volts_full_scale")]
    pub calibrator: Option<PathBuf>,
}

/// Unit of the values in a CSV file.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, ValueEnum)]
pub(crate) enum Unit {
    /// Standard gravity
    #[default]
    #[value(name = "g")]
    G,
    /// Metres per second squared
    #[value(name = "m/s2")]
    MetrePerSecond2,
}

/// Level and frequency of the usual sound calibrator (IEC 60942).
const CALIBRATOR: (f64, f64) = (94.0, 1000.0);

impl ReadArgs {
    /// What was typed as settings of the reader; a calibrator clip is read here.
    pub(crate) fn settings(&self) -> anyhow::Result<ReadSettings> {
        let calibration = match (self.volts_full_scale.zip(self.mv_per_g), &self.calibrator) {
            (Some((volts, mv)), _) => {
                Calibration::MetrePerSecond2PerFullScale(clip::metres_per_s2_per_full_scale(volts, mv))
            }
            (None, Some(path)) => Calibration::PascalPerFullScale(clip::calibrator(path, CALIBRATOR.0, CALIBRATOR.1)?),
            (None, None) => Calibration::None,
        };
        let csv_unit = match self.csv_unit {
            Unit::G => CsvUnit::G,
            Unit::MetrePerSecond2 => CsvUnit::MetrePerSecond2,
        };
        Ok(ReadSettings {
            channel: self.channel,
            pulse: self.pulse,
            rate_hz: self.rate,
            csv_unit,
            calibration,
            ..ReadSettings::default()
        })
    }
}

/// The pump
#[derive(Debug, Clone, Args)]
#[command(next_help_heading = "Pump")]
pub(crate) struct PumpArgs {
    /// Number of modules: 3 for a triplex [default: as in --order, else 3]
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u32).range(1..=12))]
    pub modules: Option<u32>,
    /// Module numbers in firing order, such as 1,3,2 [default: 1,2,3]
    #[arg(long, value_name = "LIST", value_delimiter = ',')]
    pub order: Vec<u32>,
}

impl PumpArgs {
    /// Module numbers in firing order; each number once.
    pub(crate) fn order(&self) -> Result<Vec<u32>, Usage> {
        let n = self.modules.unwrap_or(3);
        if self.order.is_empty() {
            return Ok((1..=n).collect());
        }
        let mut sorted = self.order.clone();
        sorted.sort_unstable();
        sorted.dedup();
        if sorted.len() != self.order.len() {
            return Err(Usage("--order names a module twice; each fires once a turn".into()));
        }
        match self.modules {
            Some(n) if n as usize != self.order.len() => {
                Err(Usage(format!("--order names {} modules, --modules says {n}", self.order.len())))
            }
            _ => Ok(self.order.clone()),
        }
    }
}

/// `FILE` or `CLIP=FILE`.
pub(crate) fn taps_arg(text: &str) -> Result<TapsFile, String> {
    let whole = Path::new(text);
    match text.split_once('=') {
        // A name with an equals sign in it is still a name.
        Some((clip, file)) if !whole.exists() && !clip.is_empty() && !file.is_empty() => {
            Ok(TapsFile { clip: Some(clip.into()), path: file.into() })
        }
        _ => Ok(TapsFile { clip: None, path: whole.into() }),
    }
}

/// A number above 0.
pub(crate) fn positive(text: &str) -> Result<f64, String> {
    match number::typed(text) {
        Ok(x) if x > 0.0 => Ok(x),
        Err(err @ NumberError::TwoReadings { .. }) => Err(err.to_string()),
        _ => Err("must be a number above 0".into()),
    }
}

/// A discharge pressure with its unit, in bar.
pub(crate) fn discharge_bar(text: &str) -> Result<f64, String> {
    let pressure: Pascal = text.parse().map_err(|err: QuantityError| err.to_string())?;
    if pressure.0 > 0.0 {
        return Ok(pa_to_bar(pressure.0));
    }
    Err(format!("\"{text}\" is no discharge pressure: it must be above 0; leave it out if it is not known"))
}

pub(crate) use crate::units::console_spm;

/// A picture's name: the ending says which kind.
pub(crate) fn picture_path(text: &str) -> Result<PathBuf, String> {
    let path = PathBuf::from(text);
    let ending = path.extension().and_then(|e| e.to_str()).map(str::to_ascii_lowercase);
    match ending.as_deref() {
        Some("png" | "svg") => Ok(path),
        _ => Err("must end in .png or .svg".into()),
    }
}
