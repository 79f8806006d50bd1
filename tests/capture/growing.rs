//! Recordings that grow in the book: finished, cut off, caught half-way.

use std::path::Path;
use std::time::Duration;

use seatsong::inside::book::{
    Book, CheckReport, NewClip, NewPump, NewRound, Recovered, RoundChange, RoundRow, SpotRow, Stamp,
};
use seatsong::inside::capture::Format;
use seatsong::inside::capture::fake::{Event, Fake};
use seatsong::inside::capture::recorder::{Plan, Recorded, Track, record};
use seatsong::inside::clip::growing::log::{Ended, log_beside};
use seatsong::inside::clip::growing::wav::Depth;
use seatsong::inside::units::UnitSystem;

fn triplex(name: &str) -> NewPump {
    NewPump {
        name: name.into(),
        order: vec![1, 3, 2],
        stroke_m: 0.3048,
        rod_m: None,
        gear_ratio: None,
        rod_load_n: None,
        liners: vec![],
        liner_m: None,
        units: UnitSystem::Us,
    }
}

fn with_round(dir: &Path) -> (Book, RoundRow, SpotRow) {
    let mut book = Book::create(&dir.join("book")).unwrap();
    let pump = book.add_pump(&triplex("MP-1")).unwrap();
    let round = book.start_round(&pump, &NewRound::default()).unwrap();
    let spot = book.spot(&pump, 2, None).unwrap();
    (book, round, spot)
}

fn recorded(path: &Path, mut source: Fake) -> Recorded {
    let plan = Plan {
        tracks: vec![Track { path: path.to_path_buf(), sound: 1, pulse: None }],
        depth: Depth::Int24,
        strokes: None,
        limit: Duration::from_secs(60),
        hint_spm: None,
        device: "fake".into(),
        taken_at: "2026-11-25T06:00:00Z".into(),
    };
    record(&mut source, &plan, &mut |_| Vec::new()).unwrap()
}

fn fake() -> Fake {
    Fake::new(vec![0.25; 8_000], Format { rate_hz: 8_000, channels: 1 })
}

#[test]
fn a_finished_recording_is_a_clip_of_its_round_and_two_alike_are_two() {
    let dir = tempfile::tempdir().unwrap();
    let (mut book, round, spot) = with_round(dir.path());
    let mut rows = Vec::new();
    for _ in 0..2 {
        let path = book.recording_path(&round, &spot).unwrap();
        let done = recorded(&path, fake().with(4_000, Event::Lose(80)));
        // While it is held, nobody takes it for abandoned.
        assert!(Book::open(book.dir()).unwrap().recovered().is_empty() && path.exists());
        rows.push(book.take_recording(&path, done.files.into_iter().flatten().next().unwrap()).unwrap());
    }
    assert_eq!(book.clips(round.id).unwrap(), rows);
    let capture = book.capture(rows[0].id).unwrap().unwrap();
    assert_eq!((capture.ended, capture.lost_frames, capture.gaps.len()), (Ended::End, 80, 1));
    assert!((capture.length_s - 1.0).abs() < 1e-9);
    assert_eq!(
        book.check(&|| ()).unwrap(),
        CheckReport { clips: 2, bytes: rows[0].bytes + rows[1].bytes, ..Default::default() }
    );
    let left = std::fs::read_dir(book.dir().join("incoming")).unwrap().count();
    assert_eq!(left, 0);
}

#[test]
fn one_that_was_cut_off_is_taken_by_the_next_opening_and_told() {
    let dir = tempfile::tempdir().unwrap();
    let (book, round, spot) = with_round(dir.path());
    let path = book.recording_path(&round, &spot).unwrap();
    drop(recorded(&path, fake()));
    // As a kill leaves it: no end, the header behind the sound.
    let lines = std::fs::read_to_string(log_beside(&path)).unwrap();
    std::fs::write(log_beside(&path), lines.lines().next().unwrap()).unwrap();
    let place = book.dir().to_owned();
    drop(book);
    let book = Book::open(&place).unwrap();
    let [found] = book.recovered() else { panic!("{:?}", book.recovered()) };
    assert_eq!(found.place, Some((round.id, 2)));
    let clips = book.clips(round.id).unwrap();
    assert_eq!(book.capture(clips[0].id).unwrap().unwrap().ended, Ended::Cut);
    let report = book.check(&|| ()).unwrap();
    assert_eq!(report.faults, []);
    assert!(report.notes.iter().any(|n| n.contains("cut short")), "{report:?}");
    assert!(Book::open(&place).unwrap().recovered().is_empty(), "told once");
}

#[test]
fn one_caught_between_its_entry_and_its_name_is_whole() {
    let dir = tempfile::tempdir().unwrap();
    let (mut book, round, spot) = with_round(dir.path());
    let path = book.recording_path(&round, &spot).unwrap();
    let done = recorded(&path, fake());
    let row = book.take_recording(&path, done.files.into_iter().flatten().next().unwrap()).unwrap();
    std::fs::rename(book.dir().join(&row.file), &path).unwrap();
    let place = book.dir().to_owned();
    drop(book);
    let book = Book::open(&place).unwrap();
    assert_eq!(book.clips(round.id).unwrap(), [row]);
    assert_eq!(book.check(&|| ()).unwrap().faults, []);
}

#[test]
fn one_without_sound_is_put_aside_and_never_deleted() {
    let dir = tempfile::tempdir().unwrap();
    let (mut book, round, spot) = with_round(dir.path());
    let path = book.recording_path(&round, &spot).unwrap();
    let done = recorded(&path, Fake::new(Vec::new(), Format { rate_hz: 8_000, channels: 1 }));
    assert!(book.take_recording(&path, done.files.into_iter().flatten().next().unwrap()).is_err());
    let aside = std::fs::read_dir(book.dir().join("quarantine")).unwrap().count();
    assert_eq!((path.exists(), aside), (false, 2));
    std::fs::write(&path, "nothing that one could play").unwrap();
    let place = book.dir().to_owned();
    drop(book);
    let mut book = Book::open(&place).unwrap();
    assert!(matches!(book.recovered(), [Recovered { place: None, .. }]));
    // A growing one is not mended away.
    let path = book.recording_path(&round, &spot).unwrap();
    let done = recorded(&path, fake());
    book.mend(&|| ()).unwrap();
    assert!(path.exists());
    drop(done);
}

#[test]
fn one_whose_round_was_closed_meanwhile_is_put_aside_and_the_round_stays_as_it_is() {
    let dir = tempfile::tempdir().unwrap();
    let (mut book, round, spot) = with_round(dir.path());
    let paths = [0, 1].map(|_| book.recording_path(&round, &spot).unwrap());
    let [whole, cut] = paths.each_ref().map(|path| recorded(path, fake()));
    drop(cut);
    let closed = book.change_round(round.id, &RoundChange::default(), true).unwrap();
    let err = book.take_recording(&paths[0], whole.files.into_iter().flatten().next().unwrap()).unwrap_err();
    assert!(err.to_string().contains("its round was closed meanwhile"), "{err}");
    let place = book.dir().to_owned();
    drop(book);
    // The one that was cut off is told by the next opening.
    let mut book = Book::open(&place).unwrap();
    let [Recovered { file, place: None, .. }] = book.recovered() else { panic!("{:?}", book.recovered()) };
    let aside = place.join(file);
    assert_eq!((book.clips(round.id).unwrap(), book.round(round.id).unwrap()), (vec![], closed));
    // Nothing is lost: it can be brought into a round of its own.
    let pump = book.pump("MP-1").unwrap();
    let other = book.start_round(&pump, &NewRound::default()).unwrap();
    let at = Stamp::now();
    book.add_clip(&other, &spot, &NewClip { path: &aside, taken_at: &at, pulse: None }).unwrap();
    assert_eq!(book.clips(other.id).unwrap().len(), 1);
}

#[cfg(unix)]
#[test]
fn a_link_that_looks_like_a_recording_is_not_touched() {
    let dir = tempfile::tempdir().unwrap();
    let (book, round, spot) = with_round(dir.path());
    let path = book.recording_path(&round, &spot).unwrap();
    drop(recorded(&path, fake()));
    let mine = dir.path().join("mine.wav");
    std::fs::rename(&path, &mine).unwrap();
    let before = std::fs::read(&mine).unwrap();
    std::os::unix::fs::symlink(&mine, &path).unwrap();
    let place = book.dir().to_owned();
    drop(book);
    let book = Book::open(&place).unwrap();
    assert_eq!((book.recovered(), book.clips(round.id).unwrap()), (&[][..], vec![]));
    assert_eq!(std::fs::read(&mine).unwrap(), before);
}
