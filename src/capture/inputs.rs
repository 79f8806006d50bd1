//! The devices that the system offers.

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
        .collect();
    found.sort_by_key(|d| !d.default);
    Ok(found)
}

fn configs(device: &cpal::Device) -> Vec<InputConfig> {
    let Ok(offered) = device.supported_input_configs() else { return Vec::new() };
    let mut out: Vec<InputConfig> = offered
        .map(|c| InputConfig {
            channels: c.channels(),
            rate_hz: [c.min_sample_rate(), c.max_sample_rate()],
            format: c.sample_format().to_string(),
        })
        .collect();
    out.sort();
    out.dedup();
    out
}
