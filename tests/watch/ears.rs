//! `listen`, written to a file instead of headphones.

use std::path::Path;

use seatsong::inside::book::Book;
use seatsong::inside::clip::{ReadSettings, read};
use seatsong::inside::sample::Fault;
use seatsong::inside::watch::wav24;

use crate::helper::{RATE_HZ, book, made, plan, run, source};
use crate::ran::{Ran, command, seatsong};

fn listen(dir: &Path, args: &[&str]) -> Ran {
    let mut all = vec!["listen", "--device", "wav:played.wav", "--out", "heard.wav", "--json"];
    all.extend(args);
    let output = command(dir, &all).env("SEATSONG_WAV_SPEED", "0").output().unwrap();
    Ran::of(output, &all, dir)
}

/// Sound from 1 s on.
fn heard(dir: &Path) -> Vec<f32> {
    read(&dir.join("heard.wav"), &ReadSettings::default()).unwrap().samples.split_off(RATE_HZ as usize)
}

fn played(dir: &Path, channels: &[Vec<f32>]) {
    let slices: Vec<&[f32]> = channels.iter().map(Vec::as_slice).collect();
    std::fs::write(dir.join("played.wav"), wav24(&slices, RATE_HZ)).unwrap();
}

#[test]
fn only_the_band_is_heard_and_nothing_passes_the_ceiling() {
    let dir = tempfile::tempdir().unwrap();
    let made = made();
    played(dir.path(), &made.sound(&made.spec(12.0, 390, 390)));
    let told = listen(dir.path(), &["--band", "2000-5000", "--ceiling", "-30", "--channel", "2"]).ended(0);
    let said = told.json();
    assert_eq!((&said["schema"], &said["band_hz"][1]), (&"seatsong.listen/1".into(), &5000.0.into()));
    assert!(said["peak_dbfs"].as_f64().unwrap() <= -30.0 + 0.05, "{said}");
    assert!(told.err.contains("Hearing protection stays on"), "{told}");
    let sound = heard(dir.path());
    assert!(sound.iter().all(|x| f64::from(x.abs()) <= 10_f64.powf(-1.5) * 1.000_01));
    let x: Vec<f64> = sound.iter().map(|&x| x.into()).collect();
    let (inside, below) = (band_db(&x, 2500.0, 4500.0), band_db(&x, 300.0, 1000.0));
    assert!(inside - below > 20.0, "{inside} {below}");
}

/// Mean level a Hz between two frequencies, dB.
fn band_db(x: &[f64], low_hz: f64, high_hz: f64) -> f64 {
    let n = 4096;
    let mut power = 0.0;
    let bins: Vec<usize> = (1..n / 2)
        .filter(|k| (low_hz..high_hz).contains(&(*k as f64 * f64::from(RATE_HZ) / n as f64)))
        .step_by(20)
        .collect();
    for part in x.chunks_exact(n).take(20) {
        for &k in &bins {
            let (mut re, mut im) = (0.0, 0.0);
            for (i, v) in part.iter().enumerate() {
                let hann = 0.5 - 0.5 * (std::f64::consts::TAU * i as f64 / n as f64).cos();
                let w = std::f64::consts::TAU * (k * i % n) as f64 / n as f64;
                re += hann * v * w.cos();
                im -= hann * v * w.sin();
            }
            power += re * re + im * im;
        }
    }
    10.0 * (power / bins.len() as f64).log10()
}

#[test]
fn the_band_and_arc_of_the_last_change_are_taken_from_the_book() {
    let (dir, place) = book();
    let made = made();
    let spec = made.spec(100.0, 300, 300);
    let sound = made.leaking_from(&spec, 0.0, 2, Fault::DischargeValve { level_db: 3.0 });
    played(dir.path(), &made.sound(&made.spec(10.0, 391, 391)));
    seatsong(dir.path(), &["listen", "--module", "2", "--device", "wav:played.wav"]).ended(1).says("--band");
    // The watch's alarm leaves a verdict.
    let the_book = Book::open(&place).unwrap();
    run(&plan(&the_book), the_book, vec![Ok(source(&sound))]);
    let book = Book::open(&place).unwrap();
    let change = book.last_change(&book.pump("MP-1").unwrap(), 2).unwrap().unwrap();
    let arc = change.arc_deg.unwrap();
    let told = listen(dir.path(), &["--module", "2", "--channel", "2", "--pulse", "4"]).ended(0).json();
    assert!((told["band_hz"][0].as_f64().unwrap() - change.band_hz[0]).abs() < 0.1);
    assert!((told["arc_deg"][0].as_f64().unwrap() - arc[0]).abs() < 0.1);
    assert!(told["angle_known_share"].as_f64().unwrap() > 0.5, "{told}");
    assert!(!heard(dir.path()).is_empty());
}

#[test]
fn wrong_usage_is_told() {
    let dir = tempfile::tempdir().unwrap();
    let made = made();
    played(dir.path(), &made.sound(&made.spec(2.0, 392, 392)));
    for (args, status, says) in [
        (vec!["--channel", "1"], 2, "--band"),
        (vec!["--band", "5000-3000"], 2, "lower first"),
        (vec!["--band", "2000-5000", "--ceiling", "-3"], 1, "ceiling"),
        (vec!["--band", "7000-7900"], 1, "can't be heard"),
        (vec!["--band", "2000-5000", "--pulse", "1"], 2, "--pulse"),
        (vec!["--band", "2000-5000", "--channel", "9"], 1, "channel"),
    ] {
        listen(dir.path(), &args).ended(status).says(says);
    }
    assert!(!dir.path().join("heard.wav").exists(), "nothing half-done stays");
    assert_eq!(std::fs::read_dir(dir.path()).unwrap().count(), 1);
}
