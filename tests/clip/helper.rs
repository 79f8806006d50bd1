use std::path::{Path, PathBuf};

use seatsong::inside::clip::{Clip, Code, Effect, ReadSettings, read};

/// A folder of its own that goes away with the test.
pub(crate) struct Folder(tempfile::TempDir);

impl Folder {
    pub(crate) fn new() -> Self {
        Self(tempfile::tempdir().unwrap())
    }

    pub(crate) fn path(&self, name: &str) -> PathBuf {
        self.0.path().join(name)
    }

    pub(crate) fn write(&self, name: &str, content: impl AsRef<[u8]>) -> PathBuf {
        let path = self.path(name);
        std::fs::write(&path, content).unwrap();
        path
    }

    /// Writes 16-bit WAV; `channels` are the samples of each channel.
    pub(crate) fn wav(&self, name: &str, rate_hz: u32, channels: &[Vec<f32>]) -> PathBuf {
        let path = self.path(name);
        let spec = hound::WavSpec {
            channels: u16::try_from(channels.len()).unwrap(),
            sample_rate: rate_hz,
            bits_per_sample: 16,
            sample_format: hound::SampleFormat::Int,
        };
        let mut writer = hound::WavWriter::create(&path, spec).unwrap();
        for i in 0..channels[0].len() {
            for channel in channels {
                writer.write_sample((channel[i] * 32_768.0).round() as i16).unwrap();
            }
        }
        writer.finalize().unwrap();
        path
    }
}

/// White noise, uniform in -1..1, the same for the same seed.
pub(crate) fn noise(seed: u64, i: usize) -> f32 {
    let mut x = (i as u64).wrapping_add(seed << 40).wrapping_mul(0x9e37_79b9_7f4a_7c15);
    x ^= x >> 29;
    x = x.wrapping_mul(0xbf58_476d_1ce4_e5b9);
    x ^= x >> 32;
    (x % 65_536) as f32 / 32_768.0 - 1.0
}

pub(crate) const RATE_HZ: u32 = 16_000;

/// A made-up pump: noise that swells with the stroke (72/min) and four knocks a turn, 20 dB above it.
pub(crate) fn pump(seconds: f32, seed: u64) -> Vec<f32> {
    let n = (seconds * RATE_HZ as f32) as usize;
    let turn = RATE_HZ as f32 * 60.0 / 72.0;
    (0..n)
        .map(|i| {
            let angle = (i as f32 / turn).fract();
            let knock: f32 = [0.02, 0.27, 0.52, 0.8]
                .iter()
                .map(|at| {
                    let t = (angle - at).rem_euclid(1.0) * 60.0 / 72.0;
                    0.4 * (-t * 250.0).exp() * (t * 9000.0).sin()
                })
                .sum();
            0.04 * noise(seed, i) * (1.0 + 0.3 * (angle * std::f32::consts::TAU).sin()) + knock
        })
        .collect()
}

pub(crate) fn read_default(path: &Path) -> Clip {
    read(path, &ReadSettings::default()).unwrap()
}

/// Codes of the findings, with their effect.
pub(crate) fn found(clip: &Clip) -> Vec<(Code, Effect)> {
    clip.findings.iter().map(|f| (f.code, f.effect)).collect()
}

pub(crate) fn rms(x: &[f32]) -> f64 {
    (x.iter().map(|&v| f64::from(v) * f64::from(v)).sum::<f64>() / x.len() as f64).sqrt()
}
