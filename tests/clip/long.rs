use std::io::Write;
use std::time::Instant;

use seatsong::inside::clip::{Code, ReadSettings, read};

use crate::helper::{Folder, RATE_HZ, found, pump};

/// Peak resident memory of this process in MB (Linux).
fn peak_mb() -> f64 {
    let status = std::fs::read_to_string("/proc/self/status").unwrap();
    let line = status.lines().find(|l| l.starts_with("VmHWM")).unwrap();
    line.split_whitespace().nth(1).unwrap().parse::<f64>().unwrap() / 1024.0
}

/// Processor time of this process in user mode in seconds (Linux, 100 ticks a second).
fn user_s() -> f64 {
    let stat = std::fs::read_to_string("/proc/self/stat").unwrap();
    stat.rsplit(')').next().unwrap().split_whitespace().nth(11).unwrap().parse::<f64>().unwrap() / 100.0
}

/// 3.5 GB on disk: run by name, with `--ignored --nocapture`, alone.
#[test]
#[ignore = "writes 3.5 GB"]
fn ten_hours_at_48_khz_stay_small_and_quick() {
    let folder = Folder::new();
    let path = folder.path("ten-hours.wav");
    let minute: Vec<u8> = pump(180.0, 1).iter().flat_map(|x| ((x * 32_768.0) as i16).to_le_bytes()).collect();
    // 180 s at 16 kHz are 60 s at 48 kHz.
    assert_eq!(minute.len(), 60 * 48_000 * 2);
    let n_bytes = u32::try_from(minute.len() * 600).unwrap();
    let mut file = std::fs::File::create(&path).unwrap();
    file.write_all(b"RIFF").unwrap();
    file.write_all(&(n_bytes + 36).to_le_bytes()).unwrap();
    file.write_all(b"WAVEfmt \x10\0\0\0\x01\0\x01\0\x80\xbb\0\0\0\x77\x01\0\x02\0\x10\0data").unwrap();
    file.write_all(&n_bytes.to_le_bytes()).unwrap();
    for _ in 0..600 {
        file.write_all(&minute).unwrap();
    }
    drop((file, minute));
    let before = peak_mb();
    let user_before = user_s();
    let start = Instant::now();
    let clip = read(&path, &ReadSettings::default()).unwrap();
    let took = start.elapsed().as_secs_f64();
    writeln!(
        std::io::stderr(),
        "10 h read in {took:.1} s ({:.1} s of processor time); peak memory {before:.0} MB before, {:.0} MB after",
        user_s() - user_before,
        peak_mb()
    )
    .unwrap();
    assert!((clip.file_s - 36_000.0).abs() < 1.0e-6);
    assert!((clip.samples.len() as f64 / 48_000.0 - 120.0).abs() < 0.6);
    assert_eq!(found(&clip)[0].0, Code::PartUsed);
    assert!(peak_mb() < 300.0);
}

#[test]
fn more_than_is_kept_in_memory_is_read_again_where_it_matters() {
    // Seven channels of two minutes are more than the first pass keeps.
    let folder = Folder::new();
    let sound = pump(120.0, 1);
    let mut channels = vec![sound.iter().map(|x| x * 0.5).collect::<Vec<f32>>(); 6];
    channels.push(sound.clone());
    let path = folder.wav("seven.wav", RATE_HZ, &channels);
    let settings = ReadSettings { channel: Some(7), pulse: Some(2), max_kept_s: 200.0, ..ReadSettings::default() };
    let clip = read(&path, &settings).unwrap();
    assert_eq!(clip.samples.len(), sound.len());
    let pulse = clip.pulse.unwrap();
    for i in (0..sound.len()).step_by(997) {
        assert!((clip.samples[i] - sound[i]).abs() < 1.0e-4);
        assert!((pulse[i] - 0.5 * sound[i]).abs() < 1.0e-4);
    }
}
