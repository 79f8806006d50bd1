//! The command as it is typed, with a WAV file in place of a device.

use std::io::Write as _;
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use seatsong::inside::book::Book;
use seatsong::inside::clip::{self, ReadSettings};
use seatsong::inside::map::{AnalyseSettings, analyse};
use seatsong::inside::stroke;
use serde_json::Value;

use crate::helper::{command, room, seatsong, with_pump, with_rounds};

/// A clip of the room as a device.
fn device(name: &str) -> String {
    format!("wav:{}", room().join(name).display())
}

/// `record`, as fast as the file can be read.
fn recording(dir: &Path, args: &[&str]) -> Command {
    let mut command = command(dir, &[&["record"], args].concat());
    command.env("SEATSONG_WAV_SPEED", "0");
    command
}

fn json(command: &mut Command) -> Value {
    let output = command.output().unwrap();
    let (out, err) = (String::from_utf8_lossy(&output.stdout), String::from_utf8_lossy(&output.stderr));
    assert!(output.status.success(), "{command:?}\n{out}\n{err}");
    serde_json::from_str(&out).unwrap_or_else(|e| panic!("{e}\n{out}\n{err}"))
}

fn keyed(mut command: Command) -> Child {
    command.stdin(Stdio::piped()).stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().unwrap()
}

/// Waits for a child; standard output, standard error.
fn ended(child: Child, status: i32) -> (String, String) {
    let output = child.wait_with_output().unwrap();
    let text = |b: &[u8]| String::from_utf8_lossy(b).into_owned();
    let (out, err) = (text(&output.stdout), text(&output.stderr));
    assert_eq!(output.status.code(), Some(status), "{out}\n{err}");
    (out, err)
}

#[test]
fn a_clip_is_in_its_round_and_judged_at_once_as_verdict_does() {
    let dir = with_rounds();
    seatsong(dir.path(), &["baseline", "accept", "1", "2", "3", "4", "5", "6"]).ended(0);
    let source = device("today/m2.wav");
    let args =
        ["--module", "2", "--device", &source, "--strokes", "0", "--pressure", "200bar", "--round", "new", "--json"];
    let told = json(&mut recording(dir.path(), &args));
    let clip = &told["clips"][0];
    assert_eq!((told["schema"].as_str(), clip["ended"].as_str()), (Some("seatsong.record/1"), Some("end")), "{told}");
    assert_eq!((clip["will_do"].as_bool(), clip["lost_frames"].as_u64()), (Some(true), Some(0)), "{told}");
    assert_eq!(clip["verdict"]["verdict"], "departed", "{told}");
    let number = told["round"].to_string();
    let verdict = seatsong(dir.path(), &["verdict", &number, "--json"]).ended(0).json();
    assert_eq!(verdict["clips"][0], clip["verdict"], "one and the same code");
    let book = Book::open(&dir.path().join("book")).unwrap();
    assert_eq!(book.check(&|| ()).unwrap().faults, []);
    let (kept, played) = (
        clip::read(&book.dir().join(clip["file"].as_str().unwrap()), &ReadSettings::default()).unwrap(),
        clip::read(&room().join("today/m2.wav"), &ReadSettings::default()).unwrap(),
    );
    assert_eq!(kept.samples, played.samples, "sample by sample");
    // In words, and without a baseline.
    let plain = recording(dir.path(), &["--module", "1", "--device", &source, "--spot", "main", "--round", "new"]);
    let (out, err) = ended(keyed(plain), 0);
    assert!(out.contains("will do") && out.contains("In round 9"), "{out}\n{err}");
    assert!(err.contains("hearing protection"), "{err}");
}

#[test]
fn it_stops_by_itself_when_enough_strokes_are_in() {
    let dir = with_pump();
    let source = device("round-01/m1.wav");
    let told = json(&mut recording(dir.path(), &["--module", "1", "--device", &source, "--strokes", "8", "--json"]));
    let clip = &told["clips"][0];
    assert_eq!(clip["ended"], "strokes", "{told}");
    // Eight strokes are 5.5 s at 88 strokes a minute; the first look is at 6 s, the next 2 s later.
    let length_s = clip["length_s"].as_f64().unwrap();
    assert!((5.4..11.9).contains(&length_s), "{length_s}");
}

#[test]
fn three_spots_one_after_another_are_one_round() {
    let dir = with_pump();
    let source = device("round-01/m1.wav");
    let args = ["--spots", "1,2,3", "--device", &source, "--strokes", "0", "--json"];
    let mut child = keyed(recording(dir.path(), &args));
    // Spot 1, spot 2 left out, spot 3; a pipe gives its keys at once, so each waits for its prompt.
    let mut keys = child.stdin.take().unwrap();
    let book = dir.path().join("book");
    let clips = |n: usize| {
        let from = Instant::now();
        loop {
            if Book::open(&book).unwrap().clips(1).is_ok_and(|c| c.len() == n) {
                break;
            }
            assert!(from.elapsed() < Duration::from_secs(60), "no clip {n}");
            std::thread::sleep(Duration::from_millis(20));
        }
    };
    keys.write_all(b" ").unwrap();
    clips(1);
    keys.write_all(b"s").unwrap();
    std::thread::sleep(Duration::from_millis(500));
    keys.write_all(b" ").unwrap();
    let (out, err) = ended(child, 0);
    drop(keys);
    let told: Value = serde_json::from_str(&out).unwrap();
    let modules: Vec<u64> = told["clips"].as_array().unwrap().iter().map(|c| c["module"].as_u64().unwrap()).collect();
    assert_eq!(modules, [1, 3], "{out}");
    assert!(err.contains("MODULE 2 - paint mark - press space"), "{err}");
    // Nobody there to press: it says so and records nothing.
    let (_, err) = ended(keyed_closed(recording(dir.path(), &args)), 1);
    assert!(err.contains("nothing was recorded"), "{err}");
}

fn keyed_closed(command: Command) -> Child {
    let mut child = keyed(command);
    drop(child.stdin.take());
    child
}

#[test]
fn four_channels_at_once_are_three_clips_with_the_same_pulses() {
    let dir = with_pump();
    let mut channels: Vec<Vec<i32>> = Vec::new();
    let mut spec = None;
    for m in 1..=3 {
        let mut reader = hound::WavReader::open(room().join(format!("round-03/m{m}.wav"))).unwrap();
        spec = Some(reader.spec());
        let all: Vec<i32> = reader.samples::<i32>().map(Result::unwrap).collect();
        channels.push(all.iter().copied().step_by(2).collect());
        if m == 3 {
            channels.push(all.iter().copied().skip(1).step_by(2).collect());
        }
    }
    let path = dir.path().join("four.wav");
    let mut writer = hound::WavWriter::create(&path, hound::WavSpec { channels: 4, ..spec.unwrap() }).unwrap();
    for k in 0..channels[0].len() {
        for c in &channels {
            writer.write_sample(c[k]).unwrap();
        }
    }
    writer.finalize().unwrap();
    let map = "1=m1,2=m2,3=m3,4=pulse";
    let args = ["--map", map, "--device", "wav:four.wav", "--strokes", "0", "--json"];
    let told = json(&mut recording(dir.path(), &args));
    let clips = told["clips"].as_array().unwrap();
    assert_eq!(clips.len(), 3, "{told}");
    let book = Book::open(&dir.path().join("book")).unwrap();
    for (m, row) in book.clips(1).unwrap().iter().enumerate() {
        assert_eq!((row.module as usize, row.pulse), (m + 1, Some(2)));
        let settings = ReadSettings { pulse: Some(2), ..ReadSettings::default() };
        let kept = clip::read(&book.clip_path(row).unwrap(), &settings).unwrap();
        let full = f64::from(1_u32 << (spec.unwrap().bits_per_sample - 1));
        let same = |kept: &[f32], played: &[i32]| {
            kept.len() == played.len()
                && kept.iter().zip(played).all(|(a, b)| (f64::from(*a) - f64::from(*b) / full).abs() < 1e-7)
        };
        assert!(same(&kept.samples, &channels[m]), "module {}", m + 1);
        assert!(same(kept.pulse.as_ref().unwrap(), &channels[3]));
    }
    // Sound and pulse of one clip: the crank angle is known.
    let looked = seatsong(
        dir.path(),
        &["look", "--pulse", "2", "--json", &format!("book/{}", clips[0]["file"].as_str().unwrap())],
    );
    assert_eq!(looked.ended(0).json()["clips"][0]["angle"], "absolute");
}

#[test]
fn taps_of_a_hand_are_kept_with_the_clip_and_give_its_angle() {
    let dir = with_pump();
    let path = room().join("round-03/m1.wav");
    let both = clip::read(&path, &ReadSettings { pulse: Some(2), ..ReadSettings::default() }).unwrap();
    let marks = stroke::pulse_marks(both.pulse.as_ref().unwrap(), both.sample_rate_hz);
    // At real time: a hand has no other.
    let source = device("round-03/m1.wav");
    let mut command =
        command(dir.path(), &["record", "--module", "1", "--device", &source, "--strokes", "0", "--json"]);
    command.env("SEATSONG_WAV_SPEED", "1");
    let mut child = keyed(command);
    let mut keys = child.stdin.take().unwrap();
    let start = growing(&dir.path().join("book/incoming"));
    for (k, mark) in marks.iter().enumerate() {
        // Early and late by turns, up to 30 ms.
        let at = start + Duration::from_secs_f64(mark + 0.03 * ((k % 3) as f64 - 1.0));
        std::thread::sleep(at.saturating_duration_since(Instant::now()));
        if keys.write_all(b"t").and_then(|()| keys.flush()).is_err() {
            break;
        }
    }
    let (out, err) = ended(child, 0);
    let told: Value = serde_json::from_str(&out).unwrap_or_else(|e| panic!("{e}\n{out}\n{err}"));
    let taps = &told["clips"][0]["taps"];
    assert!(taps["count"].as_u64().unwrap() + 2 >= marks.len() as u64, "{out}");
    let book = Book::open(&dir.path().join("book")).unwrap();
    let row = book.clips(1).unwrap().remove(0);
    let kept = book.capture(row.id).unwrap().unwrap();
    assert_eq!(kept.taps_s.len() as u64, taps["count"].as_u64().unwrap());
    // The hand's clock starts when the file appears, the recording's a little later: that much is the same for all.
    let mut late: Vec<f64> = kept.taps_s.iter().map(|t| nearest(&marks, *t)).collect();
    late.sort_by(f64::total_cmp);
    let all = late[late.len() / 2];
    // The book's own analysis ties the taps to the strokes: no word that the angle is unsure, and the angle is the pulses'.
    let quality = told["clips"][0]["quality"].to_string();
    assert!(!quality.contains("angle-unsure"), "{quality}");
    let sound = clip::read(&book.clip_path(&row).unwrap(), &ReadSettings::default()).unwrap();
    let wish = AnalyseSettings { taps_s: Some(kept.taps_s), keep_phase: true, ..AnalyseSettings::default() };
    let analysis = analyse(&sound, &wish);
    let take = &analysis.takes[0];
    let phase = take.phase.as_ref().unwrap();
    let pulses = stroke::zero_from_marks(&marks, phase, analysis.first_centre_s, 200.0).unwrap();
    let apart = (take.zero_turns().unwrap() - pulses - all * take.spm / 60.0).rem_euclid(1.0);
    let apart_deg = 360.0 * apart.min(1.0 - apart);
    assert!(apart_deg <= 8.0, "{apart_deg:.1} degrees, all {all:.3} s late");
}

/// How much later than the nearest mark.
fn nearest(marks: &[f64], t: f64) -> f64 {
    marks.iter().map(|m| t - m).min_by(|a, b| a.abs().total_cmp(&b.abs())).unwrap()
}

/// Waits until a recording grows in a folder; that moment.
pub(crate) fn growing(folder: &Path) -> Instant {
    let from = Instant::now();
    loop {
        let there = std::fs::read_dir(folder)
            .is_ok_and(|mut d| d.any(|e| e.is_ok_and(|e| e.path().extension().is_some_and(|x| x == "wav"))));
        if there {
            return Instant::now();
        }
        assert!(from.elapsed() < Duration::from_secs(60), "nothing is recorded into {}", folder.display());
        std::thread::sleep(Duration::from_millis(1));
    }
}

#[test]
fn a_file_beside_the_book_has_its_taps_and_notes_beside_it() {
    let dir = tempfile::tempdir().unwrap();
    let source = device("round-01/m1.wav");
    let told = json(&mut recording(dir.path(), &["--out", "a.wav", "--device", &source, "--strokes", "0", "--json"]));
    assert_eq!((&told["round"], &told["clips"][0]["will_do"]), (&Value::Null, &Value::Bool(true)), "{told}");
    assert!(dir.path().join("a.wav").is_file() && !dir.path().join("a.capture.jsonl").exists());
    // Never written over.
    let again = recording(dir.path(), &["--out", "a.wav", "--device", &source]);
    let (_, err) = ended(keyed(again), 1);
    assert!(err.contains("a.wav: can't be made"), "{err}");
}

#[cfg(unix)]
#[test]
fn a_signal_and_a_key_end_it_cleanly() {
    let dir = with_pump();
    let source = device("round-01/m1.wav");
    for signal in [true, false] {
        let mut command = command(
            dir.path(),
            &["record", "--module", "1", "--device", &source, "--strokes", "0", "--json", "--round", "new"],
        );
        command.env("SEATSONG_WAV_SPEED", "1");
        let mut child = keyed(command);
        growing(&dir.path().join("book/incoming"));
        std::thread::sleep(Duration::from_millis(2500));
        if signal {
            let pid = child.id().to_string();
            assert!(Command::new("kill").args(["-TERM", &pid]).status().unwrap().success());
        } else {
            child.stdin.as_mut().unwrap().write_all(b" ").unwrap();
        }
        let (out, _) = ended(child, 0);
        let told: Value = serde_json::from_str(&out).unwrap();
        let clip = &told["clips"][0];
        assert_eq!((clip["ended"].as_str(), clip["cut_short"].as_bool()), (Some("key"), Some(false)), "{out}");
        assert!((1.5..8.0).contains(&clip["length_s"].as_f64().unwrap()), "{out}");
    }
}

#[test]
fn what_makes_no_sense_is_told() {
    let dir = with_pump();
    let source = device("round-01/m1.wav");
    let run = |args: &[&str], status: i32, says: &str| {
        let (_, err) = ended(keyed_closed(recording(dir.path(), args)), status);
        assert!(err.contains(says), "{args:?}: {err}");
    };
    run(&["--device", &source], 2, "say what is recorded");
    run(&["--module", "9", "--device", &source], 1, "has no module 9");
    run(&["--map", "1=m1,1=m2", "--device", &source], 2, "names a channel twice");
    run(&["--module", "1", "--channel", "2", "--pulse", "2", "--device", &source], 2, "channel of its own");
    run(&["--module", "1", "--channel", "3", "--device", &source], 1, "not what was asked for");
    run(&["--module", "1", "--device", "wav:no-such.wav"], 1, "can't be played as a device");
    run(&["--module", "1", "--limit", "9999", "--device", &source], 2, "seatsong watch");
    run(&["--out", "a.mp3", "--device", &source], 2, "must end in .wav");
    // A stopped recording of nothing stays out of the round.
    assert_eq!(Book::open(&dir.path().join("book")).unwrap().overview().unwrap().clips, 0);
}

#[cfg(unix)]
#[test]
fn a_disk_that_takes_no_more_ends_the_recording_and_keeps_what_is_there() {
    let dir = tempfile::tempdir().unwrap();
    // `ulimit -f` counts blocks of 512 bytes or of 1 KiB by shell: 200 to 400 kB of the 576 kB that the clip would need.
    let script = format!(
        "trap '' XFSZ; ulimit -f 390; exec {} record --out a.wav --device '{}' --strokes 0 --json",
        env!("CARGO_BIN_EXE_seatsong"),
        device("round-01/m1.wav")
    );
    let mut command = Command::new("sh");
    command.args(["-c", &script]).current_dir(dir.path()).env("SEATSONG_WAV_SPEED", "0").stdin(Stdio::null());
    let told = json(&mut command);
    let clip = &told["clips"][0];
    assert_eq!((clip["ended"].as_str(), clip["cut_short"].as_bool()), (Some("disk"), Some(true)), "{told}");
    let kept = clip::read(&dir.path().join("a.wav"), &ReadSettings::default()).unwrap();
    assert!((3.5..8.4).contains(&kept.file_s), "{}", kept.file_s);
    assert!(dir.path().join("a.capture.jsonl").exists());
}
