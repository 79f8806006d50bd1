//! The devices that the system offers.

use std::collections::{BTreeMap, BTreeSet};

use cpal::SupportedStreamConfigRange;
use cpal::traits::{DeviceTrait, HostTrait};

use super::{CaptureError, Mode, SoundDevice};

/// Devices that can record, the default one first.
///
/// # Errors
/// [`CaptureError::NoList`] if the system gives no list. No device is an empty list, not an error.
pub fn inputs() -> Result<Vec<SoundDevice>, CaptureError> {
    let host = cpal::default_host();
    let devices = host.input_devices().map_err(no_list)?;
    Ok(list(devices, host.default_input_device().as_ref(), |d| {
        d.supported_input_configs().map(Iterator::collect).unwrap_or_default()
    }))
}

/// Devices that can play, the default one first.
///
/// # Errors
/// [`CaptureError::NoList`] if the system gives no list. No device is an empty list, not an error.
pub fn outputs() -> Result<Vec<SoundDevice>, CaptureError> {
    let host = cpal::default_host();
    let devices = host.output_devices().map_err(no_list)?;
    Ok(list(devices, host.default_output_device().as_ref(), |d| {
        d.supported_output_configs().map(Iterator::collect).unwrap_or_default()
    }))
}

#[expect(clippy::needless_pass_by_value, reason = "the shape that map_err wants")]
pub(super) fn no_list(e: cpal::Error) -> CaptureError {
    CaptureError::NoList { what: e.to_string() }
}

fn list(
    devices: impl Iterator<Item = cpal::Device>,
    default: Option<&cpal::Device>,
    offered: impl Fn(&cpal::Device) -> Vec<SupportedStreamConfigRange>,
) -> Vec<SoundDevice> {
    let default = default.and_then(|d| d.id().ok());
    let mut found: Vec<SoundDevice> = devices
        .map(|device| SoundDevice {
            name: name_of(&device),
            id: id_of(&device),
            default: default.is_some() && device.id().ok() == default,
            configs: modes(&offered(&device)),
        })
        .filter(|d| d.configs.iter().all(|c| c.rate_hz[1] <= HIGHEST_RATE_HZ))
        .collect();
    found.sort_by_key(|d| !d.default);
    found
}

/// As the system calls it.
pub(super) fn name_of(device: &cpal::Device) -> String {
    device.description().map_or_else(|_| "a device without a name".into(), |d| d.name().to_owned())
}

/// What the system knows it by, such as `hw:CARD=1,DEV=0`.
pub(super) fn id_of(device: &cpal::Device) -> String {
    device.id().map_or_else(|_| String::new(), |id| id.id().to_owned())
}

/// Highest rate that real converters offer; one that offers any rate is the system's stand-in for nothing.
pub(super) const HIGHEST_RATE_HZ: u32 = 1_000_000;

/// What a device offers, one entry a range of rates.
pub(super) fn modes(offered: &[SupportedStreamConfigRange]) -> Vec<Mode> {
    let mut by_rate: BTreeMap<[u32; 2], ([u16; 2], BTreeSet<String>)> = BTreeMap::new();
    for c in offered {
        let channels = c.channels();
        let rates = [c.min_sample_rate(), c.max_sample_rate()];
        let (span, formats) = by_rate.entry(rates).or_insert(([channels; 2], BTreeSet::new()));
        *span = [span[0].min(channels), span[1].max(channels)];
        formats.insert(c.sample_format().to_string());
    }
    by_rate
        .into_iter()
        .map(|(rate_hz, (channels, formats))| Mode { rate_hz, channels, formats: formats.into_iter().collect() })
        .collect()
}
