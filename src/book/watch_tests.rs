use super::super::pumps::tests::triplex;
use super::super::{Added, NewClip, NewRound};
use super::*;

fn with_pump(dir: &Path) -> (Book, PumpRow) {
    let mut book = Book::create(&dir.join("book")).unwrap();
    let pump = book.add_pump(&triplex("MP-1")).unwrap();
    (book, pump)
}

fn at(hour: i64) -> Stamp {
    Stamp::of_ms(1_795_582_800_000 + hour * 3_600_000).unwrap()
}

/// A round with a clip a module, of a thousand bytes each.
fn kept(book: &mut Book, pump: &PumpRow, hour: i64, kind: Kept) -> RoundRow {
    let round = book.keep_round(pump, &at(hour), kind, &RoundChange::default()).unwrap();
    for module in 1..=3_u8 {
        let spot = book.spot(pump, module.into(), None).unwrap();
        let mut bytes = vec![module; 1000];
        bytes[..8].copy_from_slice(&hour.to_le_bytes());
        bytes[8] = kind as u8;
        let new = NewClip { path: Path::new("watch.wav"), taken_at: &at(hour), pulse: None };
        assert!(matches!(book.add_sound(&round, &spot, &new, &bytes), Ok(Added::New(_))));
    }
    round
}

fn line(spot: i64, at_ms: i64, departure: f64) -> WatchLine {
    WatchLine {
        spot,
        at_ms,
        state: "steady",
        departure: Some(departure),
        spm: Some(70.0),
        strokes: Some(40),
        lock: Some(0.9),
        level_dbfs: Some(-24.0),
        alarm: false,
        reason: None,
    }
}

#[test]
fn the_oldest_hourly_rounds_go_and_nothing_else() {
    let dir = tempfile::tempdir().unwrap();
    let (mut book, pump) = with_pump(dir.path());
    let by_hand = book.start_round(&pump, &NewRound { at: Some(at(0)), ..NewRound::default() }).unwrap();
    let spot = book.spot(&pump, 1, None).unwrap();
    let new = NewClip { path: Path::new("hand.wav"), taken_at: &at(0), pulse: None };
    book.add_sound(&by_hand, &spot, &new, &[7; 5000]).unwrap();
    let alarm = kept(&mut book, &pump, 1, Kept::Alarm);
    let rounds: Vec<RoundRow> = (2..8).map(|h| kept(&mut book, &pump, h, Kept::Hourly)).collect();
    assert_eq!(book.last_hourly_ms(&pump).unwrap(), Some(at(7).ms));
    // The second was accepted by a person, and even dropped again it stays.
    book.accept(&rounds[1], &[1], "derrickman").unwrap();
    book.drop_good(&rounds[1], &[1], "radio").unwrap();
    // Clips whose maps are to be made again may go all the same.
    book.connection().execute("INSERT INTO to_analyse (clip_id, method) SELECT id, 1 FROM clip", []).unwrap();
    assert_eq!(book.thin_watch(21_000).unwrap(), Thinned { removed: vec![], left_bytes: 21_000 });
    let thinned = book.thin_watch(13_000).unwrap();
    assert_eq!(thinned.removed, [(rounds[0].id, 3000), (rounds[2].id, 3000), (rounds[3].id, 3000)]);
    assert_eq!(thinned.left_bytes, 12_000);
    let report = book.check(&|| ()).unwrap();
    assert!(report.faults.is_empty() && report.notes.is_empty(), "{report:?}");
    assert_eq!(report.clips, 1 + 12);
    // Even with no room at all.
    let last = book.thin_watch(0).unwrap();
    assert_eq!((last.removed.len(), last.left_bytes), (2, 6000));
    let left: Vec<i64> = book.kept_rounds().unwrap().into_iter().map(|r| r.0).collect();
    assert_eq!(left, [alarm.id, rounds[1].id]);
    assert_eq!(book.clips(by_hand.id).unwrap().len(), 1);
    assert!(book.round(rounds[0].id).is_err());
}

#[test]
fn a_removal_caught_half_way_is_whole_before_and_gone_after() {
    let dir = tempfile::tempdir().unwrap();
    let (mut book, pump) = with_pump(dir.path());
    let round = kept(&mut book, &pump, 1, Kept::Hourly);
    let clip = book.clips(round.id).unwrap().remove(0);
    let place = book.dir().to_owned();
    // Before its entry went.
    let going = place.join(format!("incoming/{}.going", clip.sha256));
    std::fs::rename(place.join(&clip.file), &going).unwrap();
    book.tidy_watch().unwrap();
    drop(book);
    let mut book = Book::open(&place).unwrap();
    assert!(place.join(&clip.file).exists() && book.check(&|| ()).unwrap().faults.is_empty());
    // After it.
    std::fs::rename(place.join(&clip.file), &going).unwrap();
    book.connection().execute("DELETE FROM clip WHERE id = ?1", [clip.id]).unwrap();
    drop(book);
    book = Book::open(&place).unwrap();
    assert_eq!(book.check(&|| ()).unwrap().faults, []);
    book.tidy_watch().unwrap();
    assert!(!going.exists());
    // Copies that were caught half way or before their entry; and one that another program is at.
    let sum = "ab".repeat(32);
    let left = [
        "sound-x1.part".to_owned(),
        format!("{sum}sound-x2.wav"),
        "sound-x3.part".to_owned(),
        ".tmpX4.part".to_owned(),
    ];
    let left = left.map(|name| place.join("incoming").join(name));
    for path in &left {
        std::fs::write(path, [1; 50]).unwrap();
    }
    let held = std::fs::File::open(&left[2]).unwrap();
    held.lock().unwrap();
    book.tidy_watch().unwrap();
    assert_eq!(left.each_ref().map(|p| p.exists()), [false, false, true, true]);
    drop(held);
    std::fs::remove_file(&left[3]).unwrap();
    book.tidy_watch().unwrap();
    let report = book.check(&|| ()).unwrap();
    assert!(!left[2].exists() && report.notes.is_empty(), "{report:?}");
    // A round that got no clips before the plug was pulled.
    let empty = book.keep_round(&pump, &at(2), Kept::Alarm, &RoundChange::default()).unwrap();
    assert!(book.open_round(&pump).unwrap().is_none(), "imports must not fall into it");
    book.tidy_watch().unwrap();
    assert!(book.round(empty.id).is_err() && book.round(round.id).is_ok());
}

#[test]
fn old_lines_are_thinned_to_the_hours_highest() {
    let dir = tempfile::tempdir().unwrap();
    let (mut book, pump) = with_pump(dir.path());
    let spots: Vec<i64> = (1..=2).map(|m| book.spot(&pump, m, None).unwrap().id).collect();
    let minute = |hour: i64, m: i64| at(hour).ms + m * 60_000;
    for &spot in &spots {
        for hour in 0..3 {
            let lines: Vec<WatchLine> =
                (0..60).map(|m| line(spot, minute(hour, m), if m == 17 { 1.5 } else { 0.4 })).collect();
            book.enter_watch(&lines, &[]).unwrap();
        }
    }
    let stopped = WatchLine { departure: None, state: "stopped", ..line(spots[0], minute(-5, 0), 0.0) };
    let entry = WatchEntry { pump: Some(pump.id), spot: None, at: at(0), kind: "stopped", words: "no rhythm".into() };
    book.enter_watch(&[stopped.clone(), WatchLine { at_ms: minute(-5, 1), ..stopped }], &[entry]).unwrap();
    assert_eq!(book.thin_lines(minute(2, 0)).unwrap(), 2 * 2 * 59 + 1);
    let left = book.watched(spots[0], 0).unwrap();
    assert_eq!(left.len(), 2 + 60);
    assert_eq!(left[0], (minute(0, 17), 1.5, false));
    assert_eq!(book.thin_lines(minute(2, 0)).unwrap(), 0, "thinned once is thinned");
    assert_eq!(book.watch_events(0).unwrap(), [(at(0).text, "stopped".into(), "no rhythm".into())]);
}
