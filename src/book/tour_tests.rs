use super::super::pumps::tests::triplex;
use super::super::{PartChange, RoundChange};
use super::*;
use crate::book::NewRound;
use crate::tour::parts::{PartKind, Place, RunLog, Side, Why};
use crate::tour::work::{Entry, Event, Step};

fn at(text: &str) -> Timestamp {
    format!("2024-05-04T{text}:00Z").parse().unwrap()
}

fn book() -> (tempfile::TempDir, Book, PumpRow) {
    let dir = tempfile::tempdir().unwrap();
    let mut book = Book::create(&dir.path().join("b")).unwrap();
    let pump = book.add_pump(&triplex("MP-1")).unwrap();
    (dir, book, pump)
}

fn bar(x: f64) -> Answer {
    let (si, unit) = crate::units::parse_quantity(&format!("{x} bar"), crate::units::Dimension::Pressure).unwrap();
    Answer::Reading { si, unit }
}

#[test]
fn checks_come_back_as_they_were_entered() {
    let (_dir, mut book, pump) = book();
    let new = |check, when, answers, skipped| NewCheck {
        check,
        pump: Some(&pump),
        module: None,
        at: at(when),
        by: "derrickman",
        answers,
        skipped,
    };
    book.add_check(&new("gauges", "07:00", vec![("pump".into(), bar(212.0), false)], None)).unwrap();
    let mud = Answer::Attention("mud".into());
    book.add_check(&new("liner-wash", "08:00", vec![("returns".into(), mud, false)], None)).unwrap();
    book.add_check(&new("suction-screen", "09:00", vec![], Some("no connection"))).unwrap();
    let rows = book.checks(Some(&pump), at("06:00"), at("18:00")).unwrap();
    assert_eq!(rows.len(), 3);
    assert_eq!((rows[0].outcome.clone(), rows[0].answers[0].si), (Outcome::Fine, Some(2.12e7)));
    assert_eq!((rows[1].outcome.clone(), rows[1].answers[0].words.as_str()), (Outcome::Attention, "mud"));
    assert_eq!(rows[2].outcome, Outcome::Skipped { reason: "no connection".into() });
    assert!(book.checks(Some(&pump), at("06:00"), at("07:00")).unwrap().is_empty(), "the end does not count");
    let seen = book.readings(&pump, None, "gauges", "pump", at("18:00")).unwrap();
    assert_eq!(seen, [(at("07:00"), 2.12e7)]);
    let (sheet, _) = book.sheet().unwrap();
    let pumps = book.pumps().unwrap();
    let history = |since, until| book.check_history(&sheet, &pumps, at(since), at(until)).unwrap().len();
    assert_eq!(history("05:00", "08:00"), 2);
    assert!(!book.sheet().unwrap().1, "the default sheet until the site has its own");
    std::fs::write(book.dir().join(SHEET), "[tour]\nzone = 3\n").unwrap();
    assert!(book.sheet().unwrap_err().to_string().contains("line 2"));
}

#[test]
fn concerns_stay_until_they_are_closed() {
    let (_dir, mut book, pump) = book();
    let id = book.add_concern(Some(&pump), "bracket loose", at("07:00"), "derrickman").unwrap();
    assert!(book.close_concern(id, at("08:00"), "welder", " ").is_err());
    book.close_concern(id, at("08:00"), "welder", "welded").unwrap();
    assert!(book.close_concern(id, at("09:00"), "welder", "again").is_err());
    assert!(book.close_concern(99, at("09:00"), "welder", "x").is_err());
    assert!(book.concerns(at("07:30")).unwrap()[0].closed.is_none(), "as it stood then");
    assert_eq!(book.concerns(at("08:30")).unwrap()[0].closed.as_ref().unwrap().1, "welded");
}

#[test]
fn parts_end_when_they_are_changed_and_hours_add_up() {
    let (_dir, mut book, pump) = book();
    let place = Place::new("MP-1", 2, PartKind::Seat, Some(Side::Discharge)).unwrap();
    let change = |when: &str, why| PartChange {
        place: place.clone(),
        at: at(when),
        by: "mechanic",
        why,
        condition: "cut",
        photo: "",
        restarts: true,
    };
    assert!(book.change_part(&pump, &change("06:00", Some(Why::Worn))).is_err(), "nothing was in place");
    assert!(book.change_part(&pump, &change("06:00", None)).unwrap().is_none());
    assert!(book.change_part(&pump, &change("12:00", None)).is_err(), "why did the old one come out?");
    assert!(book.change_part(&pump, &change("05:00", Some(Why::Worn))).is_err(), "before it was fitted");
    assert!(book.change_part(&pump, &change("12:00", Some(Why::Washed))).unwrap().is_some());
    let log = RunLog { from: at("06:00"), to: at("18:00"), hours: 12.0 };
    book.add_run(&pump, log, "derrickman").unwrap();
    assert!(book.add_run(&pump, log, "derrickman").is_err(), "twice");
    let point = RoundChange { spm: Some(70.0), ..RoundChange::default() };
    book.start_round(&pump, &NewRound { at: Stamp::of_ms(at("07:00").as_millisecond()), point }).unwrap();
    let runs = book.part_runs(&pump, at("15:00")).unwrap();
    assert_eq!(runs.len(), 2);
    assert!((runs[0].1.hours - 6.0).abs() < 1e-9 && (runs[1].1.hours - 3.0).abs() < 1e-9);
    assert!((runs[0].1.strokes.unwrap() - 6.0 * 60.0 * 70.0).abs() < 1e-6);
    assert_eq!(runs[0].0.part.out.unwrap().1, Why::Washed);
}

#[test]
fn work_is_kept_and_refuses_what_the_job_refuses() {
    let (_dir, mut book, pump) = book();
    let id = book.start_job(&pump, "module 2, discharge seat", at("09:00"), "derrickman").unwrap();
    let entry = |event| Entry { at: at("09:05"), by: "derrickman".into(), event };
    let err = book.enter_work(id, &entry(Event::Opened)).unwrap_err();
    assert!(err.to_string().contains("permit"), "{err}");
    let answer = crate::tour::work::Answer::Yes;
    book.enter_work(id, &entry(Event::Confirmed { step: Step::RiskReview, answer })).unwrap();
    assert_eq!(book.job(id).unwrap().job.unanswered().len(), Step::BEFORE.len() - 1);
    assert_eq!(book.jobs(&pump).unwrap().len(), 1);
    assert!(book.job(7).is_err());
}

#[test]
fn a_signed_note_is_frozen() {
    let (_dir, mut book, _pump) = book();
    let tour = crate::tour::Tour { start: at("06:00"), end: at("18:00") };
    assert!(book.amend_note(&tour, "x", "toolpusher", at("19:00")).is_err(), "not signed yet");
    let sum = book.sign_note(&tour, "<main>\n</main>", "derrickman", at("17:55")).unwrap();
    assert!(book.sign_note(&tour, "<main>\nother</main>", "derrickman", at("17:56")).is_err());
    book.amend_note(&tour, "relief at 290 bar", "toolpusher", at("19:00")).unwrap();
    let note = book.note(&tour).unwrap().unwrap();
    assert_eq!((note.sha256, note.amendments.len()), (sum, 1));
}
