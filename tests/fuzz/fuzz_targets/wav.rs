//! WAV files: any bytes give a clip of finite samples or an error, never a panic.
#![no_main]

use libfuzzer_sys::fuzz_target;

fuzz_target!(|bytes: &[u8]| {
    if let Ok(clip) = seatsong::inside::clip::parse_wav_bytes(bytes) {
        assert!(clip.samples.iter().all(|x| x.is_finite()) && clip.sample_rate_hz > 0.0);
    }
});
