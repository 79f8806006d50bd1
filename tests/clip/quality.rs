use seatsong::inside::clip::{Clip, Code, Effect, ReadSettings, read};

use crate::helper::{Folder, RATE_HZ, found, noise, pump, read_default};

const RATE: usize = RATE_HZ as usize;

fn clip_of(samples: Vec<f32>) -> Clip {
    let folder = Folder::new();
    read_default(&folder.wav("clip.wav", RATE_HZ, &[samples]))
}

fn text_of(clip: &Clip, code: Code) -> String {
    clip.findings.iter().find(|f| f.code == code).map(|f| f.text.clone()).unwrap_or_default()
}

#[test]
fn an_honest_clip_has_no_findings() {
    for seed in 0..4 {
        let clip = clip_of(pump(30.0, seed));
        assert!(clip.findings.is_empty(), "{:?}", clip.findings);
        assert_eq!(clip.samples.len(), 30 * RATE);
        assert!(clip.start_s.abs() < 1.0e-12 && (clip.file_s - 30.0).abs() < 1.0e-9);
    }
    // Normalised to full scale: one sample touches the end, and that is no clipping.
    let loud = pump(30.0, 1);
    let peak = loud.iter().fold(0.0_f32, |m, x| m.max(x.abs()));
    let clip = clip_of(loud.iter().map(|x| x / peak).collect());
    assert!(clip.findings.is_empty(), "{:?}", clip.findings);
}

#[test]
fn clipping_everywhere_refuses_and_a_little_only_warns() {
    let clip = clip_of(pump(30.0, 1).iter().map(|x| x * 4.0).collect());
    assert_eq!(found(&clip), [(Code::Clipped, Effect::Refuse)]);
    assert!(text_of(&clip, Code::Clipped).contains("Turn the gain down"));
    let mut once = pump(30.0, 1);
    for (i, x) in once[15 * RATE..15 * RATE + 400].iter_mut().enumerate() {
        *x += 1.5 * (i as f32 * 0.3).sin();
    }
    let clip = clip_of(once);
    assert_eq!(found(&clip), [(Code::Clipped, Effect::Warn)]);
    assert_eq!(clip.samples.len(), 30 * RATE);
}

#[test]
fn peaks_that_just_reach_full_scale_are_used_with_a_word() {
    let quiet = pump(30.0, 1);
    let mut sorted: Vec<f32> = quiet.iter().map(|x| x.abs()).collect();
    sorted.sort_unstable_by(f32::total_cmp);
    // So loud that two hundred of the 30 s' samples are cut, in tens of half-seconds.
    let gain = 1.0 / sorted[sorted.len() - 200];
    let loud: Vec<f32> = quiet.iter().map(|x| (x * gain).clamp(-1.0, 1.0)).collect();
    let touched = loud.chunks(RATE / 2).filter(|b| b.iter().filter(|x| x.abs() >= 1.0).count() >= 4).count();
    assert!(touched >= 20, "{touched}");
    let clip = clip_of(loud);
    assert_eq!(found(&clip), [(Code::Clipped, Effect::Warn)]);
    assert_eq!(clip.samples.len(), 30 * RATE);
    assert!(text_of(&clip, Code::Clipped).contains("was used. Turn the gain down by 6 dB"));
    // A hundred times as many are too many.
    let gain = 1.0 / sorted[sorted.len() - 20_000];
    let clip = clip_of(quiet.iter().map(|x| (x * gain).clamp(-1.0, 1.0)).collect());
    assert_eq!(found(&clip), [(Code::Clipped, Effect::Refuse)]);
}

#[test]
fn tops_cut_below_full_scale_are_clipped_too() {
    let clip = clip_of(pump(30.0, 1).iter().map(|x| x.clamp(-0.2, 0.2)).collect());
    assert_eq!(found(&clip), [(Code::Clipped, Effect::Refuse)]);
}

#[test]
fn the_clean_part_of_a_spoilt_clip_is_used() {
    let mut samples = pump(40.0, 2);
    for x in &mut samples[..12 * RATE] {
        *x = (*x * 8.0).clamp(-1.0, 1.0);
    }
    let clip = clip_of(samples.clone());
    assert_eq!(found(&clip), [(Code::PartUsed, Effect::Warn), (Code::Clipped, Effect::Warn)]);
    assert!((12.0..12.6).contains(&clip.start_s), "{}", clip.start_s);
    assert!((clip.file_s - 40.0).abs() < 1.0e-9);
    let start = (clip.start_s * RATE as f64).round() as usize;
    assert_eq!(clip.samples.len(), 40 * RATE - start);
    assert!((clip.samples[77] - samples[start + 77]).abs() < 1.0e-4);
    // Less than ten clean seconds are not enough.
    for x in &mut samples[18 * RATE..32 * RATE] {
        *x = (*x * 8.0).clamp(-1.0, 1.0);
    }
    assert!(found(&clip_of(samples)).contains(&(Code::Clipped, Effect::Refuse)));
}

#[test]
fn silence_is_refused_and_a_whisper_warned_about() {
    assert_eq!(found(&clip_of(vec![0.0; 20 * RATE])), [(Code::Silent, Effect::Refuse)]);
    assert_eq!(found(&clip_of(vec![0.3; 20 * RATE])), [(Code::Silent, Effect::Refuse)]);
    let clip = clip_of(pump(20.0, 1).iter().map(|x| x * 0.001).collect());
    assert_eq!(found(&clip), [(Code::Silent, Effect::Warn)]);
    assert!(text_of(&clip, Code::Silent).contains("Turn the gain up"));
}

#[test]
fn dropouts_are_found_whether_zero_or_frozen() {
    for frozen in [false, true] {
        let mut samples = pump(40.0, 3);
        for start in (0..40 * RATE).step_by(RATE * 7 / 3) {
            let end = (start + RATE / 20).min(samples.len());
            let value = if frozen { samples[start] } else { 0.0 };
            samples[start..end].fill(value);
        }
        let clip = clip_of(samples);
        assert_eq!(found(&clip), [(Code::Dropouts, Effect::Refuse)], "{:?}", clip.findings);
    }
    let mut samples = pump(40.0, 3);
    samples[20 * RATE..20 * RATE + 300].fill(0.0);
    assert_eq!(found(&clip_of(samples)), [(Code::Dropouts, Effect::Warn)]);
}

/// Wind: bursts of noise below some tens of hertz.
fn wind(n: usize, size: f32) -> Vec<f32> {
    let mut low = 0.0;
    let mut lower = 0.0;
    (0..n)
        .map(|i| {
            let gust = (0.5 + 0.5 * (i as f32 / RATE as f32 * 0.9).sin()).powi(4);
            low += 0.01 * (noise(9, i) - low);
            lower += 0.01 * (low - lower);
            size * gust * lower * 30.0
        })
        .collect()
}

#[test]
fn wind_warns_and_refuses_only_when_it_overloads() {
    let with_wind = |size: f32| pump(30.0, 4).iter().zip(wind(30 * RATE, size)).map(|(x, w)| x + w).collect();
    assert_eq!(found(&clip_of(with_wind(0.3))), [(Code::Rumble, Effect::Warn)]);
    let clip = clip_of(with_wind(6.0));
    assert!(found(&clip).contains(&(Code::Rumble, Effect::Refuse)), "{:?}", clip.findings);
    // A steady hum below 60 Hz is no wind.
    let hum: Vec<f32> = pump(30.0, 4).iter().enumerate().map(|(i, x)| x + 0.5 * (i as f32 * 0.0196).sin()).collect();
    assert!(clip_of(hum).findings.is_empty());
}

/// Loud clanks every six seconds.
fn clanks(samples: &mut [f32]) {
    for start in (4 * RATE + 77..samples.len()).step_by(RATE * 13 / 2) {
        let end = (start + RATE / 10).min(samples.len());
        for (i, x) in samples[start..end].iter_mut().enumerate() {
            *x = 0.9 * (-(i as f32) / 400.0).exp() * (noise(5, i) * 0.5 + 0.5 * (i as f32 * 1.1).sin()) + *x * 0.1;
        }
    }
}

#[test]
fn automatic_gain_is_told_and_clanks_alone_are_not() {
    let mut samples = pump(60.0, 5).iter().map(|x| x * 0.2).collect::<Vec<f32>>();
    clanks(&mut samples);
    let clip = clip_of(samples.clone());
    assert!(clip.findings.is_empty(), "{:?}", clip.findings);
    // A gain that drops at once and recovers with 1.5 s, driven by the peaks.
    let mut gain = 1.0_f32;
    for x in &mut samples {
        let over = x.abs() * gain;
        if over > 0.2 {
            gain *= 0.98;
        }
        gain += (1.0 - gain) / (1.5 * RATE as f32);
        *x *= gain;
    }
    let clip = clip_of(samples);
    assert_eq!(found(&clip), [(Code::GainRiding, Effect::Warn)], "{:?}", clip.findings);
}

fn pulses(n: usize) -> Vec<f32> {
    let turn = RATE * 60 / 72;
    (0..n).map(|i| if i % turn < RATE / 100 { 0.7 } else { 0.0 } + 0.001 * noise(6, i)).collect()
}

#[test]
fn the_channels_are_told_apart() {
    let folder = Folder::new();
    let n = 20 * RATE;
    let path = folder.wav("three.wav", RATE_HZ, &[vec![0.0; n], pulses(n), pump(20.0, 1)]);
    let ask = |channel, pulse| read(&path, &ReadSettings { channel, pulse, ..ReadSettings::default() }).unwrap();
    let clip = ask(None, None);
    assert_eq!(found(&clip), [(Code::WrongChannel, Effect::Warn)]);
    assert!(text_of(&clip, Code::WrongChannel).contains("channel 3 was analysed"));
    assert!(clip.samples.iter().any(|x| x.abs() > 0.1));
    let clip = ask(Some(1), None);
    assert!(found(&clip).contains(&(Code::WrongChannel, Effect::Refuse)));
    assert!(text_of(&clip, Code::WrongChannel).contains("channel 3 is live"));
    let clip = ask(Some(2), None);
    assert_eq!(found(&clip)[0], (Code::WrongChannel, Effect::Refuse));
    assert!(text_of(&clip, Code::WrongChannel).contains("Ask for channel 3"));
    assert!(ask(Some(3), None).findings.is_empty());
    let clip = ask(Some(3), Some(2));
    assert!(clip.findings.is_empty());
    let pulse = clip.pulse.unwrap();
    assert_eq!(pulse.len(), clip.samples.len());
    assert!((pulse[10] - 0.7).abs() < 0.01 && pulse[RATE / 2].abs() < 0.01);
}

#[test]
fn the_pulse_channel_is_never_taken_for_sound_and_is_cut_like_it() {
    let folder = Folder::new();
    let mut sound = pump(40.0, 1);
    for x in &mut sound[..12 * RATE] {
        *x = (*x * 8.0).clamp(-1.0, 1.0);
    }
    let marks = pulses(sound.len());
    let path = folder.wav("two.wav", RATE_HZ, &[marks.clone(), sound]);
    let clip = read(&path, &ReadSettings { pulse: Some(1), ..ReadSettings::default() }).unwrap();
    let start = (clip.start_s * f64::from(RATE_HZ)).round() as usize;
    assert!(start >= 12 * RATE);
    let pulse = clip.pulse.unwrap();
    assert_eq!(pulse.len(), clip.samples.len());
    for (i, &x) in pulse.iter().enumerate().step_by(101) {
        assert!((x - marks[start + i]).abs() < 1.0e-4);
    }
}

#[test]
fn of_a_long_recording_the_cleanest_stretch_is_kept() {
    let folder = Folder::new();
    // The pump stands for a minute, runs rough (clipped), then runs well.
    let mut samples: Vec<f32> = (0..60 * RATE).map(|i| 0.002 * noise(8, i)).collect();
    samples.extend(pump(60.0, 1).iter().map(|x| (x * 8.0).clamp(-1.0, 1.0)));
    samples.extend(pump(60.0, 2));
    let path = folder.wav("long.wav", RATE_HZ, &[samples.clone()]);
    let settings = ReadSettings { max_kept_s: 30.0, ..ReadSettings::default() };
    let clip = read(&path, &settings).unwrap();
    assert!((120.0..=150.0).contains(&clip.start_s), "{}", clip.start_s);
    assert!((clip.samples.len() as f64 / f64::from(RATE_HZ) - 30.0).abs() < 0.6);
    assert!((clip.file_s - 180.0).abs() < 1.0e-6);
    assert!(found(&clip).contains(&(Code::PartUsed, Effect::Warn)));
    let start = (clip.start_s * f64::from(RATE_HZ)).round() as usize;
    assert!((clip.samples[1234] - samples[start + 1234]).abs() < 1.0e-4);
}

#[test]
fn every_rate_and_width_of_an_honest_clip_is_clean() {
    let folder = Folder::new();
    for (rate_hz, bits) in [(8000, 8), (16_000, 24), (44_100, 16), (192_000, 32)] {
        let spec = hound::WavSpec {
            channels: 1,
            sample_rate: rate_hz,
            bits_per_sample: bits,
            sample_format: hound::SampleFormat::Int,
        };
        let path = folder.path("clip.wav");
        let mut writer = hound::WavWriter::create(&path, spec).unwrap();
        let full = 2.0_f64.powi(i32::from(bits) - 1);
        for x in pump(15.0, 3) {
            // The same numbers at another rate: a faster or slower pump.
            writer.write_sample((1.5 * f64::from(x) * full).round() as i32).unwrap();
        }
        writer.finalize().unwrap();
        let clip = read_default(&path);
        let heavy = clip.findings.iter().any(|f| f.code != Code::TooShort);
        assert!(!heavy, "{rate_hz} Hz, {bits} bits: {:?}", clip.findings);
    }
}

#[test]
fn a_float_recording_may_pass_full_scale_but_not_be_cut_there() {
    let folder = Folder::new();
    let spec = hound::WavSpec {
        channels: 1,
        sample_rate: RATE_HZ,
        bits_per_sample: 32,
        sample_format: hound::SampleFormat::Float,
    };
    let write = |name: &str, edit: fn(f32) -> f32| {
        let path = folder.path(name);
        let mut writer = hound::WavWriter::create(&path, spec).unwrap();
        for x in pump(15.0, 3) {
            writer.write_sample(edit(x)).unwrap();
        }
        writer.finalize().unwrap();
        read_default(&path)
    };
    assert!(write("loud.wav", |x| x * 20.0).findings.is_empty());
    assert_eq!(found(&write("cut.wav", |x| (x * 20.0).clamp(-1.0, 1.0))), [(Code::Clipped, Effect::Refuse)]);
}

#[test]
fn a_slow_pump_with_a_thump_once_a_turn_is_no_wind() {
    let turn = RATE * 60 / 36;
    let thumping: Vec<f32> = pump(40.0, 4)
        .iter()
        .enumerate()
        .map(|(i, x)| {
            let t = (i % turn) as f32 / RATE as f32;
            x + 0.9 * (-t * 20.0).exp() * (t * 200.0).sin()
        })
        .collect();
    let clip = clip_of(thumping);
    assert!(clip.findings.is_empty(), "{:?}", clip.findings);
}

#[test]
fn the_same_file_reads_the_same_to_the_last_digit() {
    let folder = Folder::new();
    let path = folder.wav("clip.wav", RATE_HZ, &[pump(20.0, 6)]);
    let (one, two) = (read_default(&path), read_default(&path));
    assert!(one.samples.iter().zip(&two.samples).all(|(a, b)| a.to_bits() == b.to_bits()));
    assert_eq!(one.findings, two.findings);
}
