//! A device by its name, or a file that is played as if it were one.

use std::path::Path;

use super::fake::{Fake, Pace};
use super::{CaptureError, Source};
use crate::units::number;

/// What a device's name begins with when a WAV file is to be played as if it were a device: `wav:FILE`.
pub const PRETEND: &str = "wav:";
/// Environment variable: how many times as fast as it sounds a `wav:` file is played, 0 for as fast as it is read.
pub const SPEED_VARIABLE: &str = "SEATSONG_WAV_SPEED";

/// How a device should deliver; what is left open is chosen for quality.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Wish {
    /// Frames a second; else 48000, or the next above 44100 that the device has itself.
    pub rate_hz: Option<u32>,
    /// Channels; else the fewest that carry `least_channels`.
    pub channels: Option<u16>,
    /// Highest channel that is needed, counted from 1; 0 counts as 1.
    pub least_channels: u16,
}

/// Opens a device to record from: the system's own choice, or one by its id or a part of its name.
///
/// `wav:FILE` plays a file in real time in place of a device, for trials without hardware.
///
/// # Errors
/// [`CaptureError`] if there is no such device, it can't deliver so, or the system refuses.
pub fn open(device: Option<&str>, wish: &Wish) -> Result<Box<dyn Source + Send>, CaptureError> {
    if let Some(file) = device.and_then(|d| d.strip_prefix(PRETEND)) {
        return pretend(Path::new(file), wish);
    }
    #[cfg(feature = "capture")]
    return super::device::open(device, wish);
    #[cfg(not(feature = "capture"))]
    Err(CaptureError::NotBuilt)
}

fn pretend(path: &Path, wish: &Wish) -> Result<Box<dyn Source + Send>, CaptureError> {
    let wrong = |what: String| CaptureError::Pretend { path: path.to_path_buf(), what };
    let speed = match std::env::var(SPEED_VARIABLE) {
        Err(_) => 1.0,
        Ok(text) => number::typed(&text)
            .ok()
            .filter(|s| *s >= 0.0)
            .ok_or_else(|| wrong(format!("{SPEED_VARIABLE} is \"{text}\", which is no speed such as 1 or 20")))?,
    };
    let fake = Fake::wav(path)?;
    let format = fake.format();
    if wish.rate_hz.is_some_and(|r| r != format.rate_hz)
        || wish.channels.is_some_and(|c| c != format.channels)
        || wish.least_channels > format.channels
    {
        return Err(wrong(format!(
            "it has {} Hz and {} channel(s), which is not what was asked for",
            format.rate_hz, format.channels
        )));
    }
    Ok(Box::new(fake.paced(if speed > 0.0 { Pace::Times(speed) } else { Pace::Free })))
}
