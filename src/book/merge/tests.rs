use std::path::Path;

use super::super::pumps::tests::triplex;
use super::super::tour::NewCheck;
use super::super::{NewClip, NewRound, PartChange, PumpRow, RoundChange, RoundRow, Stamp};
use super::*;
use crate::tour::Tour;
use crate::tour::parts::{PartKind, Place, RunLog, Why};
use crate::tour::reading::Answer;
use crate::tour::work::{Answer as WorkAnswer, Entry, Event, Step};

fn walk(book: &mut Book, dir: &Path, at: &str, words: &str) -> RoundRow {
    let pump = book.pump("MP-1").unwrap();
    let at = Stamp::parse(at).unwrap();
    let round = book.start_round(&pump, &NewRound { at: Some(at.clone()), point: RoundChange::default() }).unwrap();
    for m in 1..=3 {
        let path = dir.join(format!("{words}-{m}.wav"));
        std::fs::write(&path, format!("{words} {m}")).unwrap();
        let spot = book.spot(&pump, m, None).unwrap();
        book.add_clip(&round, &spot, &NewClip { path: &path, taken_at: &at, pulse: None }).unwrap();
    }
    round
}

fn sums(book: &Book) -> Vec<String> {
    let mut rows = book.conn.prepare("SELECT sha256 FROM clip ORDER BY sha256").unwrap();
    rows.query_map([], |r| r.get(0)).unwrap().map(Result::unwrap).collect()
}

#[test]
fn two_books_become_one_without_duplicates() {
    let dir = tempfile::tempdir().unwrap();
    let mut a = Book::create(&dir.path().join("a")).unwrap();
    let mut b = Book::create(&dir.path().join("b")).unwrap();
    a.add_pump(&triplex("MP-1")).unwrap();
    b.add_pump(&triplex("mp-1")).unwrap();
    b.add_pump(&triplex("MP-2")).unwrap();
    walk(&mut a, dir.path(), "2026-11-01T06:00Z", "both");
    walk(&mut b, dir.path(), "2026-11-01T06:00Z", "both");
    walk(&mut a, dir.path(), "2026-11-02T06:00Z", "here");
    let there = walk(&mut b, dir.path(), "2026-11-03T06:00Z", "there");
    b.accept(&there, &[], "derrickman").unwrap();
    let pump = b.pump("MP-1").unwrap();
    b.restart(&pump, 2, &Stamp::parse("2026-11-02T12:00Z").unwrap(), "new seat").unwrap();
    b.add_spot(&pump, 1, None, "white dot").unwrap();
    let concern = "INSERT INTO concern (words, since_at, since_ms, by_position) VALUES ('drip', '2026-11-02T12:00Z', 1, 'driller')";
    b.conn.execute(concern, []).unwrap();
    let report = a.merge(&b, &|| ()).unwrap();
    assert_eq!((report.pumps, report.clips, report.both, report.baseline), (1, 3, 3, 4), "{report:?}");
    assert_eq!((report.tour, report.undecided.len()), (1, 0), "{report:?}");
    assert_eq!(sums(&a).len(), 9);
    assert_eq!(a.check(&|| ()).unwrap().faults, []);
    let pump = a.pump("MP-1").unwrap();
    assert_eq!(a.spot(&pump, 1, None).unwrap().note, "white dot");
    assert_eq!(a.good_rounds(&pump, 1).unwrap().len(), 1);
    assert!(a.last_restart(pump.id, 2).unwrap().is_some());
    // Again: nothing new.
    let again = a.merge(&b, &|| ()).unwrap();
    assert_eq!(
        (again.pumps, again.rounds, again.clips, again.baseline, again.verdicts + again.tour + again.more),
        (0, 0, 0, 0, 0),
        "{again:?}"
    );
    // And the other way round both hold the same.
    b.merge(&a, &|| ()).unwrap();
    assert_eq!(sums(&a), sums(&b));
}

#[test]
fn the_same_round_carried_on_in_two_places_is_one_round() {
    let dir = tempfile::tempdir().unwrap();
    let mut a = Book::create(&dir.path().join("a")).unwrap();
    a.add_pump(&triplex("MP-1")).unwrap();
    let round = walk(&mut a, dir.path(), "2026-11-01T06:00Z", "x");
    let pack = dir.path().join("a.pack");
    a.pack(&pack, &|| ()).unwrap();
    super::super::unpack(&pack, &dir.path().join("b"), &|| ()).unwrap();
    let mut b = Book::open(&dir.path().join("b")).unwrap();
    a.change_round(round.id, &RoundChange { spm: Some(72.0), ..RoundChange::default() }, false).unwrap();
    // One more recording at the same spot in each: both get the same name.
    for (book, words) in [(&mut a, "here"), (&mut b, "there")] {
        let pump = book.pump("MP-1").unwrap();
        let path = dir.path().join(format!("{words}.wav"));
        std::fs::write(&path, words).unwrap();
        let (row, spot) = (book.round(round.id).unwrap(), book.spot(&pump, 1, None).unwrap());
        book.add_clip(&row, &spot, &NewClip { path: &path, taken_at: &Stamp::now(), pulse: None }).unwrap();
    }
    let say = RoundChange { crew: Some("relief".into()), spm: Some(70.0), ..RoundChange::default() };
    b.change_round(round.id, &say, true).unwrap();
    let report = a.merge(&b, &|| ()).unwrap();
    assert_eq!((report.rounds, report.clips, report.both), (0, 1, 3));
    let merged = a.round(round.id).unwrap();
    assert_eq!((merged.spm, merged.crew.as_str(), merged.closed_at.is_some()), (Some(72.0), "relief", true));
    assert_eq!(a.clips(round.id).unwrap().len(), 5);
    assert_eq!(a.check(&|| ()).unwrap().faults, []);
}

#[test]
fn pumps_that_can_t_be_one_are_refused() {
    let dir = tempfile::tempdir().unwrap();
    let mut a = Book::create(&dir.path().join("a")).unwrap();
    let mut b = Book::create(&dir.path().join("b")).unwrap();
    a.add_pump(&triplex("MP-1")).unwrap();
    let other = super::super::NewPump { order: vec![1, 2, 3], ..triplex("MP-1") };
    b.add_pump(&other).unwrap();
    let err = a.merge(&b, &|| ()).unwrap_err().to_string();
    assert!(err.contains("firing order"), "{err}");
}

#[test]
fn a_recording_lost_here_comes_back_from_there() {
    let dir = tempfile::tempdir().unwrap();
    let mut a = Book::create(&dir.path().join("a")).unwrap();
    a.add_pump(&triplex("MP-1")).unwrap();
    let round = walk(&mut a, dir.path(), "2026-11-01T06:00Z", "x");
    let pack = dir.path().join("a.pack");
    a.pack(&pack, &|| ()).unwrap();
    super::super::unpack(&pack, &dir.path().join("b"), &|| ()).unwrap();
    let b = Book::open(&dir.path().join("b")).unwrap();
    let clip = a.clips(round.id).unwrap().remove(0);
    std::fs::remove_file(a.clip_path(&clip).unwrap()).unwrap();
    a.merge(&b, &|| ()).unwrap();
    assert_eq!(a.check(&|| ()).unwrap().faults, []);
}

/// One row in every table of the tour, as the program itself enters them.
fn fill_tour(book: &mut Book, day: &str) -> PumpRow {
    let pump = book.pump("MP-1").unwrap();
    let at = |clock: &str| format!("{day}T{clock}:00Z").parse::<jiff::Timestamp>().unwrap();
    let (unit, si) = {
        let (si, unit) = crate::units::parse_quantity("40psi", crate::units::Dimension::Pressure).unwrap();
        (unit, si)
    };
    book.add_check(&NewCheck {
        check: "oil-pressure",
        pump: Some(&pump),
        module: None,
        at: at("06:10"),
        by: "derrickman",
        answers: vec![
            ("after".into(), Answer::Reading { si, unit }, true),
            ("note".into(), Answer::Text("steady".into()), false),
        ],
        skipped: None,
    })
    .unwrap();
    book.add_concern(Some(&pump), "drip at module 2", at("06:20"), "derrickman").unwrap();
    let place = Place::new("MP-1", 2, PartKind::Liner, None).unwrap();
    let first = book.parts(&pump).unwrap().is_empty();
    book.change_part(
        &pump,
        &PartChange {
            place,
            at: at("07:00"),
            by: "mechanic",
            why: (!first).then_some(Why::Washed),
            condition: if first { "" } else { "scored" },
            photo: "",
            restarts: true,
        },
    )
    .unwrap();
    book.add_run(&pump, RunLog { from: at("00:00"), to: at("06:00"), hours: 5.5 }, "driller").unwrap();
    let job = book.start_job(&pump, "module 2, liner", at("08:00"), "mechanic").unwrap();
    let permit = Event::Confirmed { step: Step::Permit, answer: WorkAnswer::Number { text: "4711".into() } };
    book.enter_work(job, &Entry { at: at("08:05"), by: "mechanic".into(), event: permit }).unwrap();
    let tour = Tour { start: at("06:00"), end: at("18:00") };
    book.sign_note(&tour, &format!("<main>{day} note</main>"), "derrickman", at("17:50")).unwrap();
    book.amend_note(&tour, "gauge was 2610", "relief", at("18:20")).unwrap();
    pump
}

/// Rows of a table without what numbers them in one book.
fn rows_of(book: &Book, table: &str) -> Vec<Vec<String>> {
    let hidden = ["id", "pump_id", "check_entry_id", "job_id", "note_id"];
    let columns: Vec<String> =
        rows::columns_of(&book.conn, table).unwrap().into_iter().filter(|c| !hidden.contains(&c.as_str())).collect();
    let sql = format!("SELECT {} FROM {table}", columns.join(", "));
    let mut found: Vec<Vec<String>> = book
        .conn
        .prepare(&sql)
        .unwrap()
        .query_map([], |r| {
            (0..columns.len()).map(|i| r.get::<_, rusqlite::types::Value>(i).map(|v| format!("{v:?}"))).collect()
        })
        .unwrap()
        .map(Result::unwrap)
        .collect();
    found.sort();
    found
}

const TOUR_TABLES: [&str; 9] =
    ["check_entry", "answer", "concern", "part", "run_log", "job", "job_entry", "note", "amendment"];

#[test]
fn the_tour_comes_too_and_once() {
    let dir = tempfile::tempdir().unwrap();
    let mut a = Book::create(&dir.path().join("a")).unwrap();
    let mut b = Book::create(&dir.path().join("b")).unwrap();
    a.add_pump(&triplex("MP-1")).unwrap();
    // Another pump first: the numbers of the two books must not be the same.
    b.add_pump(&triplex("MP-0")).unwrap();
    b.add_pump(&triplex("MP-1")).unwrap();
    fill_tour(&mut b, "2026-11-02");
    std::fs::write(b.dir().join(SHEET), "# the site's own\n").unwrap();
    let report = a.merge(&b, &|| ()).unwrap();
    assert_eq!((report.tour, report.undecided.as_slice()), (8, &[][..]), "{report:?}");
    for table in TOUR_TABLES {
        assert_eq!(rows_of(&a, table), rows_of(&b, table), "{table}");
    }
    assert_eq!(std::fs::read(a.dir().join(SHEET)).unwrap(), b"# the site's own\n");
    let pump = a.pump("MP-1").unwrap();
    assert_eq!(a.jobs(&pump).unwrap()[0].job.entries().len(), 1);
    assert_eq!(a.runs(&pump).unwrap().len(), 1);
    let again = a.merge(&b, &|| ()).unwrap();
    assert_eq!((again.tour, again.more, again.undecided.len()), (0, 0, 0), "{again:?}");
    assert_eq!(a.check(&|| ()).unwrap().faults, []);
}

#[test]
fn a_book_carried_on_elsewhere_comes_back_with_what_was_done_there() {
    let dir = tempfile::tempdir().unwrap();
    let mut a = Book::create(&dir.path().join("a")).unwrap();
    a.add_pump(&triplex("MP-1")).unwrap();
    fill_tour(&mut a, "2026-11-02");
    let pack = dir.path().join("a.pack");
    a.pack(&pack, &|| ()).unwrap();
    super::super::unpack(&pack, &dir.path().join("b"), &|| ()).unwrap();
    let mut b = Book::open(&dir.path().join("b")).unwrap();
    // There: the next day's tour, which takes the first liner out, and the concern closed.
    fill_tour(&mut b, "2026-11-03");
    let at = |text: &str| text.parse::<jiff::Timestamp>().unwrap();
    b.close_concern(1, at("2026-11-03T09:00:00Z"), "relief", "tightened").unwrap();
    let locks = Event::Confirmed { step: Step::Locks, answer: WorkAnswer::Count { locks: 2 } };
    b.enter_work(1, &Entry { at: at("2026-11-02T08:10:00Z"), by: "relief".into(), event: locks.clone() }).unwrap();
    // Here, later: the same job went on.
    a.enter_work(1, &Entry { at: at("2026-11-02T08:20:00Z"), by: "mechanic".into(), event: locks }).unwrap();
    let report = a.merge(&b, &|| ()).unwrap();
    assert_eq!(report.undecided, Vec::<String>::new());
    for table in ["check_entry", "answer", "concern", "part", "run_log", "job", "note", "amendment"] {
        assert_eq!(rows_of(&a, table), rows_of(&b, table), "{table}");
    }
    let pump = a.pump("MP-1").unwrap();
    let by: Vec<String> = a.job(1).unwrap().job.entries().iter().map(|e| e.by.clone()).collect();
    assert_eq!(by, ["mechanic", "relief", "mechanic"], "in order of time");
    assert_eq!(a.parts(&pump).unwrap().iter().filter(|p| p.part.out.is_none()).count(), 1);
    assert_eq!(a.check(&|| ()).unwrap().faults, []);
}

#[test]
fn what_only_a_person_can_decide_is_told_and_ours_stays() {
    let dir = tempfile::tempdir().unwrap();
    let mut a = Book::create(&dir.path().join("a")).unwrap();
    let mut b = Book::create(&dir.path().join("b")).unwrap();
    for book in [&mut a, &mut b] {
        book.add_pump(&triplex("MP-1")).unwrap();
    }
    let pump = fill_tour(&mut a, "2026-11-02");
    // The other crew entered the same day in a book of its own: other hours, another liner time, another note.
    let at = |clock: &str| format!("2026-11-02T{clock}:00Z").parse::<jiff::Timestamp>().unwrap();
    let theirs = b.pump("MP-1").unwrap();
    b.add_run(&theirs, RunLog { from: at("01:00"), to: at("06:00"), hours: 4.0 }, "relief").unwrap();
    let place = Place::new("MP-1", 2, PartKind::Liner, None).unwrap();
    let change =
        PartChange { place, at: at("07:30"), by: "relief", why: None, condition: "", photo: "", restarts: true };
    b.change_part(&theirs, &change).unwrap();
    let tour = Tour { start: at("06:00"), end: at("18:00") };
    b.sign_note(&tour, "<main>another</main>", "relief", at("17:55")).unwrap();
    let before: Vec<_> = TOUR_TABLES.iter().map(|t| rows_of(&a, t)).collect();
    let report = a.merge(&b, &|| ()).unwrap();
    assert_eq!(report.undecided.len(), 3, "{report:?}");
    for words in ["running hours", "liner", "signed in both books"] {
        assert!(report.undecided.iter().any(|u| u.contains(words)), "{words}: {report:?}");
    }
    let after: Vec<_> = TOUR_TABLES.iter().map(|t| rows_of(&a, t)).collect();
    assert_eq!(before, after);
    assert_eq!(a.note(&tour).unwrap().unwrap().html, "<main>2026-11-02 note</main>");
    assert_eq!(a.runs(&pump).unwrap().len(), 1);
}

/// Whoever adds a table says here how it is merged; columns are carried by themselves.
#[test]
fn every_table_has_a_rule_and_every_pointer_of_it_is_translated() {
    let dir = tempfile::tempdir().unwrap();
    let book = Book::create(dir.path()).unwrap();
    let list = |sql: &str, table: &str| -> Vec<(String, String)> {
        let mut rows = book.conn.prepare(sql).unwrap();
        rows.query_map([table], |r| Ok((r.get(0)?, r.get(1)?))).unwrap().map(Result::unwrap).collect()
    };
    let tables: Vec<String> = list(
        "SELECT name, type FROM sqlite_schema WHERE type = ?1 AND name NOT LIKE 'sqlite_%' ORDER BY name",
        "table",
    )
    .into_iter()
    .map(|t| t.0)
    .collect();
    for table in &tables {
        let rule = RULES.iter().find(|r| r.table == table);
        assert!(rule.is_some(), "table {table} has no rule in src/book/merge/rules.rs: say how a merge carries it");
    }
    assert_eq!(RULES.len(), tables.len(), "a rule for a table that is not there, or two for one");
    for (k, rule) in RULES.iter().enumerate() {
        let columns = rows::columns_of(&book.conn, rule.table).unwrap();
        match &rule.how {
            How::Stays(why) => assert!(why.len() > 10, "{}: say why it stays", rule.table),
            How::Recordings => assert_eq!(rule.table, "clip"),
            How::Photos => assert_eq!(rule.table, "photo"),
            How::Rows(rows) => {
                let points = list("SELECT \"from\", \"table\" FROM pragma_foreign_key_list(?1)", rule.table);
                for (column, to) in &points {
                    let told = rows.refs.iter().any(|(c, t)| c == column && t == to);
                    assert!(told, "{}.{column} points at {to}, and its rule does not say so", rule.table);
                    assert!(RULES[..k].iter().any(|r| r.table == to), "{} stands before {to}", rule.table);
                }
                assert_eq!(points.len(), rows.refs.len(), "{}", rule.table);
                let filled: &[&str] = match &rows.fill {
                    rules::Fill::Nothing => &[],
                    rules::Fill::Each(c) | rules::Fill::Together(c) => c,
                };
                for column in rows.key.iter().chain(filled) {
                    assert!(columns.iter().any(|c| c == column), "{} has no column {column}", rule.table);
                }
            }
        }
    }
}
