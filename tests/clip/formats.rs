use std::f64::consts::PI;
use std::path::{Path, PathBuf};

use seatsong::inside::clip::{
    Calibration, Clip, Code, ReadSettings, Scale, calibrator, metres_per_s2_per_full_scale, read,
};

use crate::helper::{Folder, RATE_HZ, found, noise, pump, read_default, rms};

fn sample(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("samples/formats").join(name)
}

/// Amplitude of the part of `x` at `freq_hz` (Fourier sum at one frequency).
fn amplitude(x: &[f32], rate_hz: f64, freq_hz: f64) -> f64 {
    let (mut re, mut im) = (0.0, 0.0);
    for (i, &v) in x.iter().enumerate() {
        let phase = 2.0 * PI * freq_hz * i as f64 / rate_hz;
        re += f64::from(v) * phase.cos();
        im += f64::from(v) * phase.sin();
    }
    2.0 * re.hypot(im) / x.len() as f64
}

fn assert_exact(clip: &Clip, freq_hz: f64, step: f64) {
    for (i, &x) in clip.samples.iter().enumerate() {
        let wanted = 0.25 * (2.0 * PI * freq_hz * i as f64 / clip.sample_rate_hz).sin();
        assert!((f64::from(x) - wanted).abs() <= 0.51 * step, "sample {i}: {x} instead of {wanted}");
    }
}

#[test]
fn lossless_forms_are_exact_to_their_quantisation() {
    let clip = read_default(&sample("tone-1khz-48k-mono.flac"));
    assert_eq!((clip.samples.len(), clip.format.as_str(), clip.bits), (48_000, "FLAC 16-bit", Some(16)));
    assert_exact(&clip, 1000.0, 2.0_f64.powi(-15));
    let clip = read_default(&sample("tone-1khz-24bit-16k-mono.aiff"));
    assert_eq!((clip.samples.len(), clip.format.as_str(), clip.bits), (16_000, "AIFF 24-bit", Some(24)));
    assert_exact(&clip, 1000.0, 2.0_f64.powi(-23));
}

#[test]
fn channels_of_compressed_files_keep_their_order() {
    for (channel, freq_hz) in [(1, 1000.0), (2, 500.0)] {
        let settings = ReadSettings { channel: Some(channel), ..ReadSettings::default() };
        let clip = read(&sample("tones-1khz-500hz-24bit-48k-stereo.flac"), &settings).unwrap();
        assert_eq!((clip.channels, clip.samples.len()), (2, 12_000));
        assert_exact(&clip, freq_hz, 2.0_f64.powi(-23));
    }
}

#[test]
fn lossy_forms_keep_frequency_and_level() {
    for (name, rate_hz, format) in [
        ("tone-1khz-48k-mono.mp3", 48_000.0, "MP3"),
        ("tone-1khz-48k-mono.aac", 48_000.0, "AAC"),
        ("tone-1khz-44k-mono.m4a", 44_100.0, "M4A AAC"),
        ("tone-1khz-48k-mono.ogg", 48_000.0, "Ogg Vorbis"),
        ("tone-1khz-mulaw-48k-mono.wav", 48_000.0, "WAV"),
    ] {
        let clip = read_default(&sample(name));
        assert!((clip.sample_rate_hz - rate_hz).abs() < 1.0e-9, "{name}");
        assert!(clip.format.starts_with(format), "{name}: {}", clip.format);
        let length_s = if name.contains("mulaw") { 0.5 } else { 2.0 };
        assert!((clip.file_s - length_s).abs() < 0.1, "{name}: {} s", clip.file_s);
        // Away from the encoder's delay at the start and its padding at the end.
        let n = clip.samples.len();
        let middle = &clip.samples[n / 8..n * 7 / 8];
        let tone_db = 20.0 * (amplitude(middle, rate_hz, 1000.0) / 0.25).log10();
        assert!(tone_db.abs() < 1.0, "{name}: {tone_db} dB off");
        let off = amplitude(middle, rate_hz, 1050.0) / 0.25;
        assert!(off < 0.02, "{name}: {off} of the tone at 1050 Hz");
        assert!(found(&clip).iter().all(|(code, _)| *code == Code::TooShort), "{name}: {:?}", clip.findings);
    }
}

#[test]
fn a_wrong_ending_is_told_and_the_content_decides() {
    let folder = Folder::new();
    let content = std::fs::read(sample("tone-1khz-48k-mono.ogg")).unwrap();
    let clip = read_default(&folder.write("clip.wav", &content));
    assert_eq!(clip.format, "Ogg Vorbis");
    assert_eq!(clip.findings[0].code, Code::WrongExtension);
    assert!(clip.findings[0].text.contains("WAV") && clip.findings[0].text.contains("Ogg"));
    // No ending, or one nobody knows, promises nothing.
    for name in ["clip", "clip.rec"] {
        assert!(found(&read_default(&folder.write(name, &content))).is_empty());
    }
}

#[test]
fn compressed_files_cut_off_give_what_is_there() {
    let folder = Folder::new();
    for name in
        ["tone-1khz-48k-mono.flac", "tone-1khz-48k-mono.mp3", "tone-1khz-48k-mono.ogg", "tone-1khz-24bit-16k-mono.aiff"]
    {
        let content = std::fs::read(sample(name)).unwrap();
        let whole = read_default(&sample(name)).samples.len();
        let clip = read_default(&folder.write(name, &content[..content.len() * 2 / 3]));
        let share = clip.samples.len() as f64 / whole as f64;
        assert!((0.3..0.8).contains(&share), "{name}: {share}");
        assert!(!found(&clip).is_empty(), "{name}: nothing said");
    }
    // Sizes that were never filled in.
    let mut content = std::fs::read(sample("tone-1khz-24bit-16k-mono.aiff")).unwrap();
    content[4..8].fill(0);
    let ssnd = content.windows(4).position(|w| w == b"SSND").unwrap();
    content[ssnd + 4..ssnd + 8].fill(0);
    let clip = read_default(&folder.write("unfinished.aiff", &content));
    assert_eq!(clip.samples.len(), 16_000);
    assert!(found(&clip).iter().any(|(code, _)| *code == Code::CutOff));
    let content = std::fs::read(sample("tone-1khz-44k-mono.m4a")).unwrap();
    let half = folder.write("half.m4a", &content[..content.len() / 2]);
    assert!(read(&half, &ReadSettings::default()).is_err());
}

#[test]
fn calibration_turns_full_scale_into_units_and_says_which() {
    let folder = Folder::new();
    let path = folder.wav("clip.wav", RATE_HZ, &[pump(12.0, 1)]);
    let plain = read_default(&path);
    assert_eq!(plain.scale, Scale::FullScale);
    // 5 V full scale and 100 mV/g: full scale is 50 g.
    let factor = metres_per_s2_per_full_scale(5.0, 100.0);
    assert!((factor - 490.3325).abs() < 1.0e-9);
    let settings =
        ReadSettings { calibration: Calibration::MetrePerSecond2PerFullScale(factor), ..ReadSettings::default() };
    let clip = read(&path, &settings).unwrap();
    assert_eq!(clip.scale, Scale::MetrePerSecond2);
    assert!((rms(&clip.samples) / rms(&plain.samples) / factor - 1.0).abs() < 1.0e-5);
    let settings = ReadSettings { calibration: Calibration::PascalPerFullScale(0.0), ..ReadSettings::default() };
    assert!(read(&path, &settings).is_err());
}

/// A calibrator clip: silence and fumbling, then the tone.
fn calibrator_clip(tone: f32, hiss: f32) -> Vec<f32> {
    (0..6 * 48_000)
        .map(|i| {
            if i < 48_000 {
                0.2 * noise(3, i / 40)
            } else {
                tone * (2.0 * std::f32::consts::PI * (i % 48) as f32 / 48.0).sin() + hiss * noise(4, i)
            }
        })
        .collect()
}

#[test]
fn a_calibrator_clip_gives_pascal_per_full_scale() {
    let folder = Folder::new();
    let path = folder.wav("cal.wav", 48_000, &[calibrator_clip(0.1, 0.005)]);
    // 94 dB re 20 uPa is 1.002374 Pa rms (computed from the definition).
    let factor = calibrator(&path, 94.0, 1000.0).unwrap();
    let expected = 1.002_374 / (0.1 / 2.0_f64.sqrt());
    assert!((20.0 * (factor / expected).log10()).abs() < 0.02, "{factor} instead of {expected}");
    // W10: 114 dB is 10.02374 Pa.
    let factor = calibrator(&path, 114.0, 1000.0).unwrap();
    assert!((20.0 * (factor / (10.0 * expected)).log10()).abs() < 0.02);
}

#[test]
fn a_clip_without_a_ruling_tone_is_no_calibrator_clip() {
    let folder = Folder::new();
    let say = |name: &str, samples: Vec<f32>| {
        let path = folder.wav(name, 48_000, &[samples]);
        calibrator(&path, 94.0, 1000.0).unwrap_err().to_string()
    };
    let message = say("noisy.wav", calibrator_clip(0.05, 0.3));
    assert!(message.contains("noisy.wav") && message.contains("% of its power"), "{message}");
    assert!(say("clipped.wav", calibrator_clip(1.5, 0.0)).contains("clipped"));
    assert!(say("short.wav", calibrator_clip(0.1, 0.0)[48_000..96_000].to_vec()).contains("10 s"));
    assert!(say("silent.wav", vec![0.0; 96_000]).contains("silent"));
}
