//! The plug is pulled while recording: `kill -9` at 50 random moments.

use std::path::Path;
use std::process::Stdio;
use std::time::Duration;

use seatsong::inside::book::Book;
use seatsong::inside::clip::growing::log::Ended;
use seatsong::inside::clip::{self, ReadSettings};

use crate::helper::{Dice, command, seatsong, with_pump};
use crate::record::growing;

/// Kills while recording into a book, in all, and books that are recorded into at the same time.
const KILLS: usize = 50;
const BOOKS: usize = 5;
/// Kills while recording into a file.
const FILE_KILLS: usize = 8;
/// What a kill may cost, in seconds.
const MOST_LOST_S: f64 = 1.0;

/// Ten seconds of noise that no block repeats.
fn noise(path: &Path) {
    let spec = hound::WavSpec {
        channels: 1,
        sample_rate: 48_000,
        bits_per_sample: 16,
        sample_format: hound::SampleFormat::Int,
    };
    let mut writer = hound::WavWriter::create(path, spec).unwrap();
    let mut dice = Dice(9);
    for _ in 0..480_000 {
        #[expect(clippy::cast_possible_truncation, reason = "a small number")]
        writer.write_sample(((dice.roll() - 0.5) * 20_000.0) as i16).unwrap();
    }
    writer.finalize().unwrap();
}

/// Starts `record`, kills it a random time after its file appeared; seconds that were recorded until then.
fn killed(dir: &Path, args: &[&str], grows_in: &Path, after: Duration) -> f64 {
    let mut all = vec!["record", "--device", "wav:noise.wav", "--strokes", "0", "--json"];
    all.extend(args);
    let mut child =
        command(dir, &all).env("SEATSONG_WAV_SPEED", "1").stdout(Stdio::null()).stderr(Stdio::null()).spawn().unwrap();
    let start = growing(grows_in);
    std::thread::sleep(after);
    let lived = start.elapsed();
    child.kill().unwrap();
    // A status is one's own; killed has none.
    assert_eq!(child.wait().unwrap().code(), None, "it ended by itself");
    lived.as_secs_f64()
}

#[test]
fn a_recording_killed_at_any_moment_loses_at_most_a_second_and_the_round_knows_it() {
    let dirs: Vec<tempfile::TempDir> = (0..BOOKS).map(|_| with_pump()).collect();
    let kept: usize = std::thread::scope(|scope| {
        let threads: Vec<_> = dirs
            .iter()
            .enumerate()
            .map(|(b, dir)| scope.spawn(move || one_book(dir.path(), 1_000 + b as u64)))
            .collect();
        threads.into_iter().map(|t| t.join().unwrap()).sum()
    });
    assert!(kept >= KILLS * 3 / 4, "only {kept} kills left a clip: they came too early to mean anything");
}

/// Clips that were left.
fn one_book(dir: &Path, seed: u64) -> usize {
    noise(&dir.join("noise.wav"));
    let mut dice = Dice(seed);
    let place = dir.join("book");
    let mut kept = 0;
    for k in 0..KILLS / BOOKS {
        let after = Duration::from_secs_f64(4.0 * dice.roll());
        let lived_s = killed(dir, &["--module", "2", "--round", "new"], &place.join("incoming"), after);
        let book = Book::open(&place).unwrap();
        let [found] = book.recovered() else { panic!("kill {k}: {:?}", book.recovered()) };
        let lost_s = lived_s - found.length_s;
        assert!(lost_s <= MOST_LOST_S, "kill {k} after {lived_s:.2} s: {lost_s:.2} s lost");
        let Some((round, module)) = found.place else {
            // Killed before the first sound was on the disk.
            assert!(lived_s <= MOST_LOST_S, "kill {k}: {found:?}");
            continue;
        };
        kept += 1;
        let rows = book.clips(round).unwrap();
        assert_eq!((module, rows.len()), (2, 1));
        let capture = book.capture(rows[0].id).unwrap().unwrap();
        assert_eq!(capture.ended, Ended::Cut);
        let report = book.check(&|| ()).unwrap();
        assert_eq!(report.faults, [], "kill {k}");
        assert!(report.notes.iter().any(|n| n.contains(&rows[0].file)), "{report:?}");
        let path = book.clip_path(&rows[0]).unwrap();
        let sound: Vec<f32> = opened(&path);
        assert!((sound.len() as f64 / 48_000.0 - found.length_s).abs() < 1e-6);
        let played: Vec<f32> = opened(&dir.join("noise.wav"));
        assert_eq!(sound[..], played[..sound.len()], "what is there is what was played");
        let shown = seatsong(dir, &["round", "show", &round.to_string()]).ended(0);
        shown.tells("cut short");
    }
    kept
}

fn opened(path: &Path) -> Vec<f32> {
    let mut reader = hound::WavReader::open(path).unwrap();
    let scale = 0.5_f64.powi(i32::from(reader.spec().bits_per_sample) - 1);
    #[expect(clippy::cast_possible_truncation, reason = "24 bits fit")]
    let all = reader.samples::<i32>().map(|s| (f64::from(s.unwrap()) * scale) as f32).collect();
    all
}

#[test]
fn a_file_killed_at_any_moment_opens_and_lacks_at_most_a_second() {
    let dir = tempfile::tempdir().unwrap();
    noise(&dir.path().join("noise.wav"));
    let mut dice = Dice(5);
    for k in 0..FILE_KILLS {
        let folder = dir.path().join(format!("k{k}"));
        std::fs::create_dir(&folder).unwrap();
        let out = format!("k{k}/a.wav");
        let after = Duration::from_secs_f64(1.0 + 2.0 * dice.roll());
        let lived_s = killed(dir.path(), &["--out", &out], &folder, after);
        let clip = clip::read(&dir.path().join(&out), &ReadSettings::default()).unwrap();
        assert!(lived_s - clip.file_s <= MOST_LOST_S, "kill {k} after {lived_s:.2} s: {:.2} s are there", clip.file_s);
        assert!(folder.join("a.capture.jsonl").exists());
    }
}
