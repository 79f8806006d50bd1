//! Accelerometer tables: any bytes give a clip of finite samples or an error, never a panic.
#![no_main]

use libfuzzer_sys::fuzz_target;
use seatsong::inside::clip::{ReadSettings, parse_csv_bytes};

fuzz_target!(|bytes: &[u8]| {
    for rate_hz in [None, Some(1000.0)] {
        if let Ok(clip) = parse_csv_bytes(bytes, &ReadSettings { rate_hz, ..ReadSettings::default() }) {
            assert!(clip.samples.iter().all(|x| x.is_finite()) && clip.sample_rate_hz > 0.0);
        }
    }
});
