//! Taps that are kept with a clip, on their way to the verdict.

use std::path::Path;

use rusqlite::params;
use seatsong::inside::baseline::pair;
use seatsong::inside::book::{Book, RoundVerdict};
use seatsong::inside::clip::{ReadSettings, read};
use seatsong::inside::map::{AnalyseSettings, Analysis, analyse};
use seatsong::inside::score::{ClipVerdict, Half, State};

use crate::helper::{room, seatsong, with_rounds};

fn analysis(file: &str, pulse: Option<u16>) -> Analysis {
    let clip = read(&room().join(file), &ReadSettings { pulse, ..ReadSettings::default() }).unwrap();
    analyse(&clip, &AnalyseSettings { keep_phase: true, ..AnalyseSettings::default() })
}

/// Times at which a steady hand taps this clip of module 2, `off_deg` after the rod of module 1 is at its crank end.
fn taps(file: &str, off_deg: f64) -> String {
    let clip = analysis(file, None);
    let tied = pair(&analysis("round-03/m2.wav", Some(2)), &clip).unwrap();
    let phase = clip.takes[tied.take].phase.as_ref().unwrap();
    let turns = tied.zero_turns + off_deg / 360.0;
    let strokes = phase.windows(2).enumerate().filter(|(_, w)| (w[0] - turns).floor() < (w[1] - turns).floor());
    strokes.map(|(k, _)| format!("{:.3}", clip.first_centre_s + k as f64 / 200.0)).collect::<Vec<String>>().join(",")
}

/// Six accepted rounds and today's, in which module 2 washes; the clips of these rounds at module 2 tapped so many degrees off.
fn book(dir: &Path, tapped: &[(i64, f64)]) -> Book {
    seatsong(dir, &["baseline", "accept", "1", "2", "3", "4", "5", "6", "--by", "derrickman"]).ended(0);
    let book = Book::open(&dir.join("book")).unwrap();
    // Taps come with their clip; here they come after it.
    book.connection().execute("DELETE FROM analysis", []).unwrap();
    for &(round, off_deg) in tapped {
        let file = if round == 7 { "today/m2.wav".to_owned() } else { format!("round-{round:02}/m2.wav") };
        let clip = book.clips(round).unwrap().into_iter().find(|c| c.module == 2).unwrap();
        let sql = "INSERT INTO clip_taps (clip_id, taps_s) VALUES (?1, ?2)";
        book.connection().execute(sql, params![clip.id, taps(&file, off_deg)]).unwrap();
    }
    book
}

fn judged(book: &mut Book) -> RoundVerdict {
    let round = book.round(7).unwrap();
    book.judge_round(&round, &|| ()).unwrap()
}

fn second(verdict: &RoundVerdict) -> &ClipVerdict {
    verdict.clips.iter().find(|c| c.module == Some(2)).unwrap()
}

/// Takes the pulses away from the accepted rounds: what is left are clips of a hand that may tap.
fn without_pulses(book: &Book) {
    book.connection().execute("UPDATE clip SET pulse = NULL", []).unwrap();
}

#[test]
fn wrong_taps_of_today_are_told_and_change_nothing() {
    let dir = with_rounds();
    let plain = judged(&mut book(dir.path(), &[]));
    let dir = with_rounds();
    let tapped = judged(&mut book(dir.path(), &[(7, 120.0)]));
    let (plain, clip) = (second(&plain), second(&tapped));
    assert_eq!((clip.departure, clip.half, clip.verdict), (plain.departure, Half::Suction, State::Departed));
    let said = clip.quality.iter().find(|f| f.code.as_str() == "taps-off").unwrap();
    assert!(said.text.starts_with("your taps fit module 2: the angle of the good runs was used"), "{}", said.text);
    assert!(tapped.document().to_string().contains("taps-off"));
}

#[test]
fn one_tapped_good_clip_proposes_and_two_confirm() {
    for (tapped, half, probable) in [
        (vec![(2, 0.0)], Half::Unknown, Some(Half::Suction)),
        (vec![(2, 0.0), (5, 0.0)], Half::Suction, None),
        (vec![(2, 0.0), (7, 0.0)], Half::Suction, None),
        (vec![(2, 0.0), (5, 120.0)], Half::Unknown, None),
        (vec![(1, 0.0), (2, 0.0), (5, 120.0)], Half::Suction, None),
    ] {
        let dir = with_rounds();
        let mut book = book(dir.path(), &tapped);
        without_pulses(&book);
        let verdict = judged(&mut book);
        let clip = second(&verdict);
        assert_eq!((clip.verdict, clip.half, clip.probable_half), (State::Departed, half, probable), "{tapped:?}");
        // The same from what the book has kept.
        assert_eq!(second(&judged(&mut book)), clip);
    }
}
