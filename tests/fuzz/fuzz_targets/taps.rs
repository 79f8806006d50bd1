//! Taps files: any bytes give ascending times or an error, never a panic.
#![no_main]

use libfuzzer_sys::fuzz_target;

fuzz_target!(|bytes: &[u8]| {
    if let Ok(times) = seatsong::inside::clip::taps::parse(bytes) {
        assert!(times.windows(2).all(|w| w[0] <= w[1]) && times.iter().all(|t| t.is_finite() && *t >= 0.0));
    }
});
