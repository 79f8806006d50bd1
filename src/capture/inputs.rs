//! The devices that the system offers.

use std::collections::{BTreeMap, BTreeSet};

use cpal::traits::{DeviceTrait, HostTrait};

use super::{CaptureError, InputConfig, InputDevice};

/// Devices that can record, the default one first.
///
/// # Errors
/// [`CaptureError::NoList`] if the system gives no list. No device is an empty list, not an error.
pub fn inputs() -> Result<Vec<InputDevice>, CaptureError> {
    let host = cpal::default_host();
    let default = host.default_input_device().and_then(|d| d.id().ok());
    let devices = host.input_devices().map_err(|e| CaptureError::NoList { what: e.to_string() })?;
    let mut found: Vec<InputDevice> = devices
        .map(|device| InputDevice {
            name: device.description().map_or_else(|_| "a device without a name".into(), |d| d.name().to_owned()),
            default: default.is_some() && device.id().ok() == default,
            configs: configs(&device),
        })
        .filter(|d| d.configs.iter().all(|c| c.rate_hz[1] <= HIGHEST_RATE_HZ))
        .collect();
    found.sort_by_key(|d| !d.default);
    Ok(found)
}

/// Highest rate that real converters offer; one that offers any rate is the system's stand-in for nothing.
const HIGHEST_RATE_HZ: u32 = 1_000_000;

/// What a device offers, one entry a range of rates.
fn configs(device: &cpal::Device) -> Vec<InputConfig> {
    let Ok(offered) = device.supported_input_configs() else { return Vec::new() };
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
        .map(|(rate_hz, (channels, formats))| InputConfig { rate_hz, channels, formats: formats.into_iter().collect() })
        .collect()
}
