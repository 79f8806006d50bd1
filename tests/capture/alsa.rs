//! The real path through ALSA and cpal, without hardware.
//!
//! An ALSA configuration of our own (`ALSA_CONFIG_PATH`) has one capture device: the plugin `file` over `null`, both built into
//! libasound, which reads its sound from a named pipe. The test writes a clip into the pipe in real time, so the device runs as
//! fast as a converter would, and every sample that should come is known.

use std::io::Write as _;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::{Duration, Instant};

use serde_json::Value;

use crate::helper::{command, room};

/// The device's rate; two channels of 32-bit float.
const RATE_HZ: u32 = 16_000;
const FRAME: usize = 8;

/// A folder with a pipe, and an ALSA configuration whose only device reads from it.
fn machine() -> (tempfile::TempDir, PathBuf) {
    let dir = tempfile::tempdir().unwrap();
    let pipe = dir.path().join("sound");
    let made = Command::new("mkfifo").arg(&pipe).status().expect("mkfifo (coreutils) is needed");
    assert!(made.success());
    let config = format!(
        "pcm.pump_sensor {{\n    type file\n    slave.pcm {{ type null }}\n    file \"/dev/null\"\n    infile \"{}\"\n    \
         format \"raw\"\n    hint {{ show on\n description \"Pump room sensor\" }}\n}}\n",
        pipe.display()
    );
    std::fs::write(dir.path().join("asound.conf"), config).unwrap();
    (dir, pipe)
}

fn on(machine: &Path, args: &[&str]) -> Command {
    let mut command = command(machine, args);
    command.env("ALSA_CONFIG_PATH", machine.join("asound.conf"));
    command
}

/// The clip, as the device delivers it: left the clip, right its frames' numbers.
fn sound() -> Vec<f32> {
    let mut reader = hound::WavReader::open(room().join("round-01/m1.wav")).unwrap();
    assert_eq!(reader.spec().sample_rate, RATE_HZ);
    let scale = 0.5_f64.powi(i32::from(reader.spec().bits_per_sample) - 1);
    #[expect(clippy::cast_possible_truncation, clippy::cast_precision_loss, reason = "exact in 24 bits")]
    let out = reader
        .samples::<i32>()
        .enumerate()
        .flat_map(|(k, s)| [(f64::from(s.unwrap()) * scale) as f32, k as f32 / 16_777_216.0])
        .collect();
    out
}

/// Writes sound into the pipe in real time, in a thread of its own; `runs_on`: with silence behind it, else the device stands still.
fn feed(pipe: &Path, sound: Vec<f32>, runs_on: bool) {
    let pipe = pipe.to_owned();
    std::thread::spawn(move || {
        // Open for both, so that neither side waits for the other.
        let mut to = std::fs::File::options().read(true).write(true).open(&pipe).unwrap();
        let start = Instant::now();
        // A hundredth of a second, within what a pipe takes as one piece.
        let block = RATE_HZ as usize / 100;
        for (k, part) in sound.chunks(2 * block).enumerate() {
            let at = start + Duration::from_millis(10 * k as u64);
            std::thread::sleep(at.saturating_duration_since(Instant::now()));
            let bytes: Vec<u8> = part.iter().flat_map(|x| x.to_le_bytes()).collect();
            assert!(bytes.len().is_multiple_of(FRAME));
            if to.write_all(&bytes).is_err() {
                return;
            }
        }
        if runs_on {
            let quiet = vec![0; block * FRAME];
            while to.write_all(&quiet).is_ok() {
                std::thread::sleep(Duration::from_millis(10));
            }
        }
        // Held open: an end of the sound would not be a device that hangs.
        std::thread::sleep(Duration::from_secs(120));
    });
}

#[test]
fn a_clip_played_through_alsa_is_recorded_sample_by_sample() {
    let (machine, pipe) = machine();
    let played = sound();
    feed(&pipe, played.clone(), true);
    let args = [
        "record",
        "--out",
        "a.wav",
        "--device",
        "pump room",
        "--rate",
        "16000",
        "--channels",
        "2",
        "--pulse",
        "2",
        "--float",
        "--limit",
        "8",
        "--strokes",
        "0",
        "--json",
    ];
    let start = Instant::now();
    let output = on(machine.path(), &args).output().unwrap();
    let took = start.elapsed();
    let (out, err) = (String::from_utf8_lossy(&output.stdout), String::from_utf8_lossy(&output.stderr));
    assert!(output.status.success(), "{out}\n{err}");
    let told: Value = serde_json::from_str(&out).unwrap_or_else(|e| panic!("{e}\n{out}\n{err}"));
    let clip = &told["clips"][0];
    assert_eq!((clip["ended"].as_str(), clip["will_do"].as_bool()), (Some("limit"), Some(true)), "{out}\n{err}");
    assert_eq!(clip["sample_rate_hz"], RATE_HZ);
    assert!(took >= Duration::from_secs(7), "eight seconds of sound came in {took:?}: that is no real time");
    let kept: Vec<f32> =
        hound::WavReader::open(machine.path().join("a.wav")).unwrap().samples::<f32>().map(Result::unwrap).collect();
    assert!(kept.len() >= 2 * 8 * RATE_HZ as usize, "{}", kept.len());
    let lost = clip["lost_frames"].as_u64().unwrap();
    if lost == 0 {
        assert_eq!(kept[..], played[..kept.len()], "sample by sample");
    } else {
        // Counted gaps: every frame that is there is in its place, and what is missing is silence.
        let silent = kept.chunks(2).zip(played.chunks(2)).filter(|(k, p)| k != p).map(|(k, _)| k);
        assert!(
            silent.clone().count() as u64 <= lost && silent.flatten().all(|x| x.abs() < 1e-12),
            "{lost} lost\n{out}"
        );
    }
}

#[test]
fn a_device_that_stops_delivering_ends_the_recording_and_keeps_it() {
    let (machine, pipe) = machine();
    let mut part = sound();
    part.truncate(2 * 3 * RATE_HZ as usize);
    feed(&pipe, part, false);
    let args = [
        "record",
        "--out",
        "a.wav",
        "--device",
        "pump_sensor",
        "--rate",
        "16000",
        "--channels",
        "2",
        "--float",
        "--strokes",
        "0",
        "--json",
    ];
    let output = on(machine.path(), &args).output().unwrap();
    let (out, err) = (String::from_utf8_lossy(&output.stdout), String::from_utf8_lossy(&output.stderr));
    assert!(output.status.success(), "{out}\n{err}");
    let told: Value = serde_json::from_str(&out).unwrap();
    let clip = &told["clips"][0];
    assert_eq!((clip["ended"].as_str(), clip["cut_short"].as_bool()), (Some("gone"), Some(true)), "{out}\n{err}");
    let length_s = clip["length_s"].as_f64().unwrap();
    assert!((2.0..=3.0).contains(&length_s), "{length_s}");
    assert!(machine.path().join("a.capture.jsonl").exists());
}

#[test]
fn a_device_that_is_not_there_is_told_with_what_to_do() {
    let (machine, pipe) = machine();
    // A pipe nobody writes to would hold whoever opens it.
    let _held = std::fs::File::options().read(true).write(true).open(&pipe).unwrap();
    let output = on(machine.path(), &["devices", "--json"]).output().unwrap();
    let (out, err) = (String::from_utf8_lossy(&output.stdout), String::from_utf8_lossy(&output.stderr));
    assert!(output.status.success(), "{out}\n{err}");
    let told: Value = serde_json::from_str(&out).unwrap();
    assert!(told["inputs"].is_array() && told["outputs"].is_array(), "{out}");
    let output = on(machine.path(), &["record", "--out", "b.wav", "--device", "no such thing"]).output().unwrap();
    assert_eq!(output.status.code(), Some(1));
    let err = String::from_utf8_lossy(&output.stderr);
    assert!(err.contains("no sound input is called \"no such thing\"") && err.contains("seatsong devices"), "{err}");
}
