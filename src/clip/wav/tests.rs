#![expect(clippy::cast_possible_truncation, reason = "the numbers are made to fit")]

use std::f32::consts::PI;

use proptest::prelude::*;

use crate::clip::{Clip, ClipError, Code, parse_wav_bytes};

/// How a test file is laid out.
struct Form {
    tag: u16,
    channels: u16,
    rate_hz: u32,
    bytes: u16,
    bits: u16,
    extensible: bool,
    /// RIFF and data size, if not the true ones.
    sizes: Option<u32>,
}

impl Form {
    fn pcm(bytes: u16) -> Self {
        Self { tag: 1, channels: 1, rate_hz: 8000, bytes, bits: 8 * bytes, extensible: false, sizes: None }
    }

    fn file(&self, data: &[u8]) -> Vec<u8> {
        let mut format = Vec::new();
        let align = self.bytes * self.channels;
        format.extend((if self.extensible { 0xfffe } else { self.tag }).to_le_bytes());
        format.extend(self.channels.to_le_bytes());
        format.extend(self.rate_hz.to_le_bytes());
        format.extend((self.rate_hz * u32::from(align)).to_le_bytes());
        format.extend(align.to_le_bytes());
        format.extend((if self.extensible { 8 * self.bytes } else { self.bits }).to_le_bytes());
        if self.extensible {
            format.extend(22_u16.to_le_bytes());
            format.extend(self.bits.to_le_bytes());
            format.extend(0_u32.to_le_bytes());
            format.extend(self.tag.to_le_bytes());
            format.extend([0, 0, 0, 0, 0x10, 0, 0x80, 0, 0, 0xaa, 0, 0x38, 0x9b, 0x71]);
        }
        let n = u32::try_from(data.len()).unwrap();
        let mut file = b"RIFF".to_vec();
        file.extend(self.sizes.unwrap_or(n + 28 + u32::try_from(format.len()).unwrap()).to_le_bytes());
        file.extend(b"WAVEfmt ");
        file.extend(u32::try_from(format.len()).unwrap().to_le_bytes());
        file.extend(&format);
        // A chunk of odd length before the data: its pad byte must be passed over.
        file.extend(b"LIST\x03\0\0\0abc\0");
        file.extend(b"data");
        file.extend(self.sizes.unwrap_or(n).to_le_bytes());
        file.extend(data);
        file
    }
}

fn sine(i: usize) -> f32 {
    0.9 * (2.0 * PI * 440.0 * i as f32 / 8000.0).sin()
}

/// Three seconds of [`sine`] as integers of so many bytes, little-endian; 8 bits are unsigned.
fn integers(bytes: u16) -> Vec<u8> {
    let full = 2.0_f64.powi(8 * i32::from(bytes) - 1);
    let mut data = Vec::new();
    for i in 0..24_000 {
        let value = (f64::from(sine(i)) * full).round() as i64;
        let value = if bytes == 1 { value + 128 } else { value };
        data.extend(&value.to_le_bytes()[..usize::from(bytes)]);
    }
    data
}

fn assert_sine(clip: &Clip, within: f32) {
    assert_eq!(clip.samples.len(), 24_000);
    for (i, &x) in clip.samples.iter().enumerate() {
        assert!((x - sine(i)).abs() <= within, "sample {i}: {x} instead of {}", sine(i));
    }
}

fn codes(clip: &Clip) -> Vec<Code> {
    clip.findings.iter().map(|f| f.code).collect()
}

#[test]
fn every_integer_width_comes_back_within_its_quantisation() {
    for extensible in [false, true] {
        for bytes in 1..=4 {
            let clip = parse_wav_bytes(&Form { extensible, ..Form::pcm(bytes) }.file(&integers(bytes))).unwrap();
            // Half a step, and the 24 bits of f32.
            assert_sine(&clip, 0.5_f32.powi(8 * i32::from(bytes)) + 1.0e-7);
            assert_eq!(clip.format, format!("WAV {}-bit integer", 8 * bytes));
            assert_eq!(clip.bits, Some(8 * bytes));
            assert!(codes(&clip).is_empty(), "{:?}", clip.findings);
        }
    }
}

#[test]
fn floats_of_both_widths_come_back_as_they_were() {
    for extensible in [false, true] {
        let form = Form { tag: 3, extensible, ..Form::pcm(4) };
        let data: Vec<u8> = (0..24_000).flat_map(|i| sine(i).to_le_bytes()).collect();
        assert_sine(&parse_wav_bytes(&form.file(&data)).unwrap(), 0.0);
        let form = Form { tag: 3, extensible, ..Form::pcm(8) };
        let data: Vec<u8> = (0..24_000).flat_map(|i| f64::from(sine(i)).to_le_bytes()).collect();
        let clip = parse_wav_bytes(&form.file(&data)).unwrap();
        assert_sine(&clip, 0.0);
        assert_eq!(clip.format, "WAV 64-bit float");
    }
}

#[test]
fn twenty_four_bits_in_four_bytes_are_read_at_the_top_and_at_the_bottom() {
    let value = |i: usize| (f64::from(sine(i)) * 8_388_608.0).round() as i32;
    let top: Vec<u8> = (0..24_000).flat_map(|i| (value(i) << 8).to_le_bytes()).collect();
    let bottom: Vec<u8> = (0..24_000).flat_map(|i| value(i).to_le_bytes()).collect();
    for extensible in [false, true] {
        for data in [&top, &bottom] {
            let form = Form { bits: 24, extensible, ..Form::pcm(4) };
            assert_sine(&parse_wav_bytes(&form.file(data)).unwrap(), 1.0e-6);
        }
    }
}

#[test]
fn channels_keep_their_order() {
    for channels in [2, 3, 16] {
        let data: Vec<u8> = (0..24_000)
            .flat_map(|i| (0..channels).map(move |c| (sine(i) * 1000.0 * f32::from(c + 1)) as i16))
            .flat_map(i16::to_le_bytes)
            .collect();
        let file = Form { channels, extensible: channels > 2, ..Form::pcm(2) }.file(&data);
        let path = std::path::Path::new("bytes.wav");
        for asked in 1..=channels {
            let origin = crate::clip::Origin::Bytes(path, std::sync::Arc::from(&file[..]));
            let settings = crate::clip::ReadSettings { channel: Some(asked), ..Default::default() };
            let clip = crate::clip::read_origin(&origin, &settings).unwrap();
            let max = clip.samples.iter().copied().fold(0.0, f32::max);
            assert!((max - 900.0 * f32::from(asked) / 32_768.0).abs() < 1.0e-3, "{asked} of {channels}: {max}");
            assert_eq!(clip.channels, channels);
        }
    }
}

#[test]
fn sizes_never_filled_in_are_told_and_the_samples_used() {
    for sizes in [0, u32::MAX, u32::MAX - 8] {
        let clip = parse_wav_bytes(&Form { sizes: Some(sizes), ..Form::pcm(2) }.file(&integers(2))).unwrap();
        assert_sine(&clip, 2.0e-5);
        assert_eq!(codes(&clip), [Code::CutOff]);
    }
}

#[test]
fn a_header_alone_has_no_samples() {
    let file = Form::pcm(2).file(&[]);
    assert!(matches!(parse_wav_bytes(&file), Err(ClipError::NoSamples { .. })));
    // An empty data chunk with a real chunk behind it is empty, not unfinished.
    let mut with_tail = file.clone();
    with_tail.extend(b"LIST\x04\0\0\0abcd");
    assert!(matches!(parse_wav_bytes(&with_tail), Err(ClipError::NoSamples { .. })));
    for cut in 12..file.len() {
        let err = parse_wav_bytes(&file[..cut]).unwrap_err();
        assert!(matches!(err, ClipError::NoSamples { .. } | ClipError::Header { .. }), "{cut}: {err}");
    }
}

#[test]
fn headers_that_make_no_sense_are_refused_in_words() {
    let none = Form { channels: 0, ..Form::pcm(2) }.file(&integers(2));
    assert_eq!(
        parse_wav_bytes(&none).unwrap_err().to_string(),
        "bytes.wav: broken WAV header: it says 0 channels; copy it again from the recorder or convert it to WAV"
    );
    for form in [
        Form { rate_hz: 0, ..Form::pcm(2) },
        Form { channels: 1000, ..Form::pcm(2) },
        Form { bits: 0, bytes: 0, ..Form::pcm(1) },
        Form { bits: 48, ..Form::pcm(6) },
        Form { tag: 3, bits: 16, ..Form::pcm(2) },
    ] {
        assert!(matches!(parse_wav_bytes(&form.file(&integers(2))), Err(ClipError::Header { .. })));
    }
    let adpcm = Form { tag: 2, bits: 4, ..Form::pcm(1) }.file(&integers(1));
    let message = parse_wav_bytes(&adpcm).unwrap_err().to_string();
    assert!(message.contains("format tag 0x0002") && message.contains("convert it to WAV"), "{message}");
}

#[test]
fn one_sample_is_too_short_but_read() {
    let clip = parse_wav_bytes(&Form::pcm(2).file(&1000_i16.to_le_bytes())).unwrap();
    assert_eq!(clip.samples.len(), 1);
    assert!(codes(&clip).contains(&Code::TooShort));
}

#[test]
fn not_a_number_becomes_zero_and_is_told() {
    let mut samples: Vec<f32> = (0..24_000).map(sine).collect();
    samples[4321] = f32::NAN;
    let form = Form { tag: 3, ..Form::pcm(4) };
    let file = |samples: &[f32]| form.file(&samples.iter().flat_map(|x| x.to_le_bytes()).collect::<Vec<u8>>());
    let clip = parse_wav_bytes(&file(&samples)).unwrap();
    assert!(clip.samples[4321].abs() <= 0.0);
    assert_eq!(codes(&clip), [Code::NotFinite]);
    assert_eq!(clip.findings[0].effect, crate::clip::Effect::Warn);
    samples[5000..5100].fill(f32::INFINITY);
    let clip = parse_wav_bytes(&file(&samples)).unwrap();
    assert!(clip.samples.iter().all(|x| x.is_finite()));
    assert_eq!(clip.findings.iter().find(|f| f.code == Code::NotFinite).unwrap().effect, crate::clip::Effect::Refuse);
}

#[test]
fn a_wave64_and_an_rf64_file_are_read() {
    let data = integers(2);
    let format: [u8; 16] = [1, 0, 1, 0, 0x40, 0x1f, 0, 0, 0x80, 0x3e, 0, 0, 2, 0, 16, 0];
    let mut rf64 = b"RF64\xff\xff\xff\xffWAVEds64\x1c\0\0\0".to_vec();
    rf64.extend((data.len() as u64 + 72).to_le_bytes());
    rf64.extend((data.len() as u64).to_le_bytes());
    rf64.extend([0; 12]);
    rf64.extend(b"fmt \x10\0\0\0");
    rf64.extend(format);
    rf64.extend(b"data\xff\xff\xff\xff");
    rf64.extend(&data);
    let clip = parse_wav_bytes(&rf64).unwrap();
    assert_sine(&clip, 2.0e-5);
    assert!(codes(&clip).is_empty());

    let tail = [0xf3, 0xac, 0xd3, 0x11, 0x8c, 0xd1, 0x00, 0xc0, 0x4f, 0x8e, 0xdb, 0x8a];
    let mut w64 = crate::clip::sniff::W64_RIFF.to_vec();
    w64.extend((data.len() as u64 + 104).to_le_bytes());
    for (id, content) in [(b"wave", &[][..]), (b"fmt ", &format[..]), (b"data", &data[..])] {
        w64.extend(id);
        w64.extend(tail);
        if id != b"wave" {
            w64.extend((content.len() as u64 + 24).to_le_bytes());
            w64.extend(content);
        }
    }
    let clip = parse_wav_bytes(&w64).unwrap();
    assert_sine(&clip, 2.0e-5);
    assert!(codes(&clip).is_empty());
}

#[test]
fn the_laws_of_telephony_are_expanded() {
    // Values of CPython 3.11's audioop.ulaw2lin and alaw2lin at width 2; the whole tables agreed when this was written.
    let table = [
        (0, -32124, -5504),
        (1, -31100, -5248),
        (42, -5372, -32256),
        (85, -716, -8),
        (127, 0, -848),
        (128, 32124, 5504),
        (170, 5372, 32256),
        (213, 716, 8),
        (255, 0, 848),
    ];
    for (code, mu, a) in table {
        assert_eq!(super::expand(super::Law::Mu, code), mu, "{code}");
        assert_eq!(super::expand(super::Law::A, code), a, "{code}");
    }
    let clip = parse_wav_bytes(&Form { tag: 7, ..Form::pcm(1) }.file(&[0x42; 20_000])).unwrap();
    assert_eq!((clip.format.as_str(), clip.bits), ("WAV mu-law", None));
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    #[test]
    fn a_file_cut_anywhere_gives_what_is_there(cut in 70_usize..48_000, bytes in 1_u16..=4) {
        let file = Form::pcm(bytes).file(&integers(bytes));
        let start = file.len() - 24_000 * usize::from(bytes);
        let cut = cut.min(file.len() - 1);
        let n_there = (cut - start) / usize::from(bytes);
        let clip = parse_wav_bytes(&file[..cut]).unwrap();
        prop_assert_eq!(clip.samples.len(), n_there);
        prop_assert!(codes(&clip).contains(&Code::CutOff));
        for (i, &x) in clip.samples.iter().enumerate() {
            prop_assert!((x - sine(i)).abs() < 0.005);
        }
    }

    #[test]
    fn damaged_files_never_panic(
        at in prop::collection::vec((0_usize..200, any::<u8>()), 1..6), cut in 0_usize..4000, bytes in 1_u16..=4,
        extensible in any::<bool>(),
    ) {
        let mut file = Form { extensible, ..Form::pcm(bytes) }.file(&integers(bytes)[..3000]);
        for (i, value) in at {
            file[i] = value;
        }
        let cut = cut.min(file.len());
        if let Ok(clip) = parse_wav_bytes(&file[..cut]) {
            prop_assert!(clip.samples.iter().all(|x| x.is_finite()));
        }
    }
}
