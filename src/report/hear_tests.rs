#![expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "made-up signals of known size")]

use super::*;

const SPM: f64 = 72.0;

fn angles(rate_hz: f64, n: usize) -> Vec<f32> {
    (0..n).map(|i| ((i as f64 / rate_hz * SPM / 60.0 + 0.3) * 360.0).rem_euclid(360.0) as f32).collect()
}

fn tone(freq_hz: f64, amplitude: f64, rate_hz: f64, n: usize) -> Vec<f32> {
    (0..n).map(|i| (amplitude * (2.0 * PI * freq_hz * i as f64 / rate_hz).sin()) as f32).collect()
}

fn input<'a>(samples: &'a [f32], angle_deg: &'a [f32], rate_hz: f64) -> HearInput<'a> {
    HearInput { samples, rate_hz, angle_deg, gain_db: 0.0 }
}

const SETTINGS: HearSettings = HearSettings { band_hz: [3000.0, 11_000.0], arc_deg: [190.0, 350.0], strokes: 4 };

fn cut(heard: &Heard, i: usize) -> &[f32] {
    let at = |s: f64| (s * f64::from(heard.rate_hz)).round() as usize;
    &heard.samples[at(heard.sections[i].start_s)..at(heard.sections[i].end_s)]
}

/// Amplitude of a sine within a stretch (a single bin of a Fourier sum with a Hann window).
fn amplitude(x: &[f32], freq_hz: f64, rate_hz: f64) -> f64 {
    let (mut re, mut im, mut sum) = (0.0, 0.0, 0.0);
    for (i, v) in x.iter().enumerate() {
        let w = 0.5 - 0.5 * (2.0 * PI * i as f64 / x.len() as f64).cos();
        let phase = 2.0 * PI * freq_hz * i as f64 / rate_hz;
        re += w * f64::from(*v) * phase.cos();
        im += w * f64::from(*v) * phase.sin();
        sum += w;
    }
    2.0 * (re * re + im * im).sqrt() / sum
}

fn rms(x: impl Iterator<Item = f32>) -> f64 {
    let (mut sum, mut n) = (0.0, 0.0);
    for v in x {
        sum += f64::from(v).powi(2);
        n += 1.0;
    }
    (sum / n).sqrt()
}

#[test]
fn sections_are_healthy_now_healthy_now_of_four_strokes_each() {
    let (rate, n) = (48_000.0, 480_000);
    let (x, a) = (tone(5000.0, 0.1, rate, n), angles(rate, n));
    let heard = hear(&input(&x, &a, rate), &input(&x, &a, rate), &SETTINGS).unwrap();
    let whats: Vec<&str> = heard.sections.iter().map(|s| s.what).collect();
    assert_eq!(whats, ["healthy", "now", "healthy", "now"]);
    for s in &heard.sections {
        assert_eq!(s.strokes, 4);
        assert!((s.end_s - s.start_s - 4.0 * 60.0 / SPM).abs() < 0.001, "{s:?}");
    }
    assert!(heard.sections.windows(2).all(|w| w[1].start_s > w[0].end_s + 0.2));
    assert_eq!(cut(&heard, 0), cut(&heard, 2));
    insta::assert_snapshot!(heard.description());
}

#[test]
fn what_lies_outside_the_band_is_gone() {
    let (rate, n) = (48_000.0, 480_000);
    let mix: Vec<f32> = tone(700.0, 0.1, rate, n)
        .iter()
        .zip(tone(5000.0, 0.1, rate, n))
        .zip(tone(18_000.0, 0.1, rate, n))
        .map(|((a, b), c)| a + b + c)
        .collect();
    let a = angles(rate, n);
    let all_round = HearSettings { arc_deg: [0.0, 360.0], ..SETTINGS };
    let heard = hear(&input(&mix, &a, rate), &input(&mix, &a, rate), &all_round).unwrap();
    let part = cut(&heard, 1);
    let kept = amplitude(part, 5000.0, rate);
    assert!(kept > 0.1);
    for gone in [700.0, 18_000.0] {
        let left = 20.0 * (amplitude(part, gone, rate) / kept).log10();
        assert!(left < -70.0, "{gone} Hz is only {left:.0} dB down");
    }
}

#[test]
fn outside_the_arc_it_is_twenty_decibels_down_and_no_more() {
    let (rate, n) = (48_000.0, 480_000);
    let (x, a) = (tone(5000.0, 0.1, rate, n), angles(rate, n));
    for (arc, inside, outside) in
        [([190.0, 350.0], [200.0, 340.0], [20.0, 170.0]), ([320.0, 60.0], [0.0, 50.0], [90.0, 300.0])]
    {
        let heard =
            hear(&input(&x, &a, rate), &input(&x, &a, rate), &HearSettings { arc_deg: arc, ..SETTINGS }).unwrap();
        let part = cut(&heard, 1);
        // A section starts where a turn starts, and the speed is even.
        let at = |range: [f64; 2]| {
            let angle = move |i: usize| (i as f64 / rate * SPM / 60.0 * 360.0).rem_euclid(360.0);
            rms(part
                .iter()
                .enumerate()
                .filter(move |(i, _)| (range[0]..range[1]).contains(&angle(*i)))
                .map(|(_, v)| *v))
        };
        let down = 20.0 * (at(outside) / at(inside)).log10();
        assert!((down + 20.0).abs() < 0.5, "arc {arc:?}: {down:.1} dB");
    }
}

#[test]
fn both_get_the_same_gain_and_nothing_clips() {
    let (rate, n) = (48_000.0, 480_000);
    let a = angles(rate, n);
    for loud in [1e-4, 0.3, 400.0] {
        let (good, now) = (tone(5000.0, loud, rate, n), tone(5000.0, 2.0 * loud, rate, n));
        let heard = hear(&input(&good, &a, rate), &input(&now, &a, rate), &SETTINGS).unwrap();
        let apart = rms(cut(&heard, 1).iter().copied()) / rms(cut(&heard, 0).iter().copied());
        assert!((apart - 2.0).abs() < 1e-3, "{apart}");
        assert!(heard.samples.iter().all(|v| v.abs() <= 0.9));
        // The recording's own gain is taken out when it is known.
        let levelled = HearInput { gain_db: -20.0 * 2.0_f64.log10(), ..input(&now, &a, rate) };
        let heard = hear(&input(&good, &a, rate), &levelled, &SETTINGS).unwrap();
        let apart = rms(cut(&heard, 1).iter().copied()) / rms(cut(&heard, 0).iter().copied());
        assert!((apart - 1.0).abs() < 1e-3, "{apart}");
    }
}

#[test]
fn recordings_of_different_rates_keep_pitch_and_level() {
    let (ra, rb) = (44_100.0, 48_000.0);
    let (na, nb) = (441_000, 480_000);
    let (xa, xb) = (tone(5000.0, 0.1, ra, na), tone(5000.0, 0.1, rb, nb));
    let (aa, ab) = (angles(ra, na), angles(rb, nb));
    let all_round = HearSettings { arc_deg: [0.0, 360.0], ..SETTINGS };
    let heard = hear(&input(&xa, &aa, ra), &input(&xb, &ab, rb), &all_round).unwrap();
    assert_eq!(heard.rate_hz, 48_000);
    let (a, b) = (amplitude(cut(&heard, 0), 5000.0, rb), amplitude(cut(&heard, 1), 5000.0, rb));
    assert!((20.0 * (a / b).log10()).abs() < 0.05, "{a} and {b}");
    let lengths: Vec<f64> = heard.sections.iter().map(|s| s.end_s - s.start_s).collect();
    assert!((lengths[0] - lengths[1]).abs() < 0.001, "{lengths:?}");
    // A rate above hearing is brought down.
    let fast = tone(5000.0, 0.1, 192_000.0, 768_000);
    let angles_fast = angles(192_000.0, 768_000);
    let heard = hear(&input(&fast, &angles_fast, 192_000.0), &input(&xb, &ab, rb), &all_round).unwrap();
    assert_eq!(heard.rate_hz, 48_000);
    assert!((20.0 * (amplitude(cut(&heard, 0), 5000.0, rb) / b).log10()).abs() < 0.05);
}

#[test]
fn a_dropped_spanner_is_not_what_is_played() {
    let (rate, n) = (48_000.0, 480_000);
    let a = angles(rate, n);
    let mut x = tone(5000.0, 0.01, rate, n);
    for v in &mut x[230_000..240_000] {
        *v *= 90.0;
    }
    let heard = hear(&input(&x, &a, rate), &input(&x, &a, rate), &SETTINGS).unwrap();
    let part = cut(&heard, 0);
    let peak = part.iter().fold(0.0_f32, |m, v| m.max(v.abs()));
    assert!(f64::from(peak) < 4.0 * rms(part.iter().copied()), "the clank was chosen");
}

#[test]
fn few_strokes_are_played_and_none_is_an_error() {
    let rate = 48_000.0;
    let x = tone(5000.0, 0.1, rate, 120_000);
    let a = angles(rate, 120_000);
    let heard = hear(&input(&x, &a, rate), &input(&x, &a, rate), &SETTINGS).unwrap();
    assert_eq!(heard.sections[0].strokes, 2);
    let unknown = vec![f32::NAN; x.len()];
    let err = hear(&input(&x, &unknown, rate), &input(&x, &a, rate), &SETTINGS).unwrap_err();
    assert!(matches!(err, ReportError::TooShort { .. }), "{err}");
}

#[test]
fn senseless_input_gives_errors() {
    let rate = 48_000.0;
    let (x, a) = (tone(5000.0, 0.1, rate, 240_000), angles(rate, 240_000));
    let ok = input(&x, &a, rate);
    let run = |good: HearInput<'_>, settings: HearSettings| hear(&good, &ok, &settings).map(|_| ());
    assert!(run(ok, SETTINGS).is_ok());
    assert!(run(HearInput { samples: &[], angle_deg: &[], ..ok }, SETTINGS).is_err());
    assert!(run(HearInput { angle_deg: &a[1..], ..ok }, SETTINGS).is_err());
    assert!(run(HearInput { rate_hz: 0.0, ..ok }, SETTINGS).is_err());
    assert!(run(HearInput { rate_hz: 4000.0, ..ok }, SETTINGS).is_err());
    assert!(run(ok, HearSettings { band_hz: [11_000.0, 3000.0], ..SETTINGS }).is_err());
    assert!(run(ok, HearSettings { arc_deg: [f64::NAN, 10.0], ..SETTINGS }).is_err());
    assert!(run(ok, HearSettings { strokes: 0, ..SETTINGS }).is_err());
    let silence = vec![0.0; x.len()];
    let quiet = input(&silence, &a, rate);
    assert!(matches!(hear(&quiet, &quiet, &SETTINGS), Err(ReportError::Sound { .. })));
}

#[test]
fn the_wav_reads_back() {
    let (rate, n) = (48_000.0, 240_000);
    let (x, a) = (tone(5000.0, 0.1, rate, n), angles(rate, n));
    let heard = hear(&input(&x, &a, rate), &input(&x, &a, rate), &SETTINGS).unwrap();
    let mut reader = hound::WavReader::new(std::io::Cursor::new(heard.wav().unwrap())).unwrap();
    assert_eq!((reader.spec().channels, reader.spec().sample_rate, reader.spec().bits_per_sample), (1, 48_000, 24));
    let back: Vec<i32> = reader.samples::<i32>().map(Result::unwrap).collect();
    assert_eq!(back.len(), heard.samples.len());
    for (b, v) in back.iter().zip(&heard.samples) {
        assert!((f64::from(*b) / 8_388_607.0 - f64::from(*v)).abs() < 1e-6);
    }
}

#[test]
fn an_extract_is_short_small_and_once_each() {
    // 24 strokes a minute: one stroke lasts 2.5 s; 120: half a second.
    for (spm, strokes) in [(24.0, 1), (72.0, 2), (120.0, 4)] {
        let (rate, n) = (48_000.0, 960_000);
        let x = tone(5000.0, 0.1, rate, n);
        let a: Vec<f32> =
            (0..n).map(|i| ((i as f64 / rate * spm / 60.0 + 0.3) * 360.0).rem_euclid(360.0) as f32).collect();
        let heard = extract(&input(&x, &a, rate), &input(&x, &a, rate), &SETTINGS).unwrap();
        let whats: Vec<&str> = heard.sections.iter().map(|s| s.what).collect();
        assert_eq!(whats, ["healthy", "now"]);
        assert_eq!((heard.rate_hz, heard.sections[0].strokes), (22_050, strokes), "{spm} SPM");
        let seconds = heard.samples.len() as f64 / f64::from(heard.rate_hz);
        assert!(seconds <= EXTRACT_S + 1.0 && (strokes == 1 || seconds <= EXTRACT_S), "{seconds} s at {spm} SPM");
        let wav = heard.small_wav().unwrap();
        assert!(wav.len() < 310_000, "{} bytes", wav.len());
        let spec = hound::WavReader::new(&wav[..]).unwrap().spec();
        assert_eq!((spec.channels, spec.bits_per_sample, spec.sample_rate), (1, 16, 22_050));
        // The tone is in it, at the level that the full sound has.
        let got = amplitude(cut(&heard, 0), 5000.0, 22_050.0);
        assert!(got > 0.01, "{got}");
    }
    // A change above the extract's reach gets twice the rate.
    let (rate, n) = (96_000.0, 960_000);
    let (x, a) = (tone(15_000.0, 0.1, rate, n), angles(rate, n));
    let high = HearSettings { band_hz: [12_000.0, 18_000.0], ..SETTINGS };
    assert_eq!(extract(&input(&x, &a, rate), &input(&x, &a, rate), &high).unwrap().rate_hz, 44_100);
}
