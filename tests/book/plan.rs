//! Every question that the commands ask a big book is answered by an index.

use std::sync::Mutex;

use rusqlite::trace::{TraceEvent, TraceEventCodes};
use seatsong::inside::book::Book;

use crate::helper::{seatsong, with_rounds};

static ASKED: Mutex<Vec<String>> = Mutex::new(Vec::new());

fn note(event: TraceEvent<'_>) {
    if let TraceEvent::Stmt(statement, _) = event
        && let Some(sql) = statement.expanded_sql()
    {
        ASKED.lock().unwrap().push(sql);
    }
}

#[test]
fn questions_to_a_big_book_use_its_indexes() {
    let dir = with_rounds();
    seatsong(dir.path(), &["baseline", "accept", "1", "2", "3", "4", "5", "6"]).ended(0);
    let mut book = Book::open(&dir.path().join("book")).unwrap();
    book.connection_mut().trace_v2(TraceEventCodes::SQLITE_TRACE_STMT, Some(note)).unwrap();
    let pump = book.pump("MP-1").unwrap();
    book.round_lines(None, 20).unwrap();
    book.round_lines(Some(&pump), 20).unwrap();
    let round = book.latest_round(None).unwrap();
    book.latest_round(Some(&pump)).unwrap();
    book.open_round(&pump).unwrap();
    book.clips(round.id).unwrap();
    book.n_to_analyse(&round).unwrap();
    book.judge_round(&round, &|| ()).unwrap();
    book.trend_input(&pump, 2).unwrap();
    book.standings(&pump, &|| ()).unwrap();
    book.proposals(&pump, &|| ()).unwrap();
    book.known_clip(&book.dir().join("book.db")).unwrap();
    let (sheet, _) = book.sheet().unwrap();
    let at: jiff::Timestamp = "2026-11-13T10:00:00Z".parse().unwrap();
    let tour = sheet.plan.tour_at(at).unwrap();
    book.due(&sheet, &tour, at).unwrap();
    book.last_photo(Some(&pump), None, "suction-screen", "photo").unwrap();
    book.photo("photos/2026-11/none.jpg").unwrap();
    book.part_runs(&pump, at).unwrap();
    book.note(&tour).unwrap();
    book.refresh(None, &|| ()).unwrap();
    book.connection_mut().trace_v2(TraceEventCodes::empty(), None::<fn(TraceEvent<'_>)>).unwrap();
    let mut asked = std::mem::take(&mut *ASKED.lock().unwrap());
    asked.retain(|sql| ["SELECT", "UPDATE"].iter().any(|w| sql.trim_start().starts_with(w)));
    asked.sort();
    asked.dedup();
    assert!(asked.len() > 20, "{}", asked.len());
    for sql in asked {
        let mut rows = book.connection().prepare(&format!("EXPLAIN QUERY PLAN {sql}")).unwrap();
        let plan: Vec<String> = rows.query_map([], |r| r.get(3)).unwrap().map(Result::unwrap).collect();
        for step in &plan {
            // The few pumps and their liners and spots may be read from end to end; the form of the database too.
            // The list of outdated maps ("t") is counted, and read from its end, a few rows at a time.
            let few = [
                "SCAN pump",
                "SCAN p",
                "SCAN t",
                "SCAN to_analyse",
                "SCAN sqlite_schema",
                "SCAN CONSTANT",
                "SCAN pragma",
            ];
            let small =
                few.iter().any(|f| step == f || step.starts_with(&format!("{f} ")) || step.starts_with("SCAN pragma"));
            let by_index = step.contains("USING INDEX") || step.contains("USING COVERING INDEX");
            assert!(!step.starts_with("SCAN") || small || by_index, "{sql}\n{plan:#?}");
        }
    }
}
