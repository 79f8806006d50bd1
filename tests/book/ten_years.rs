//! Ten years of rounds: 3 pumps of 3 modules, 6 rounds a day.
#![expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    clippy::print_stderr,
    reason = "made-up levels, small counts; the figures are what the test is run for"
)]

use std::time::Instant;

use rusqlite::params;
use seatsong::inside::book::{Book, METHOD, Stamp, encode};
use seatsong::inside::clip::Finding;
use seatsong::inside::map::{Analysis, FoldedMap, N_FINE, N_SWING, SWING_CELLS, Take};
use seatsong::inside::stroke::Mark;

use crate::helper::{Dice, seatsong};

const PUMPS: i64 = 3;
const MODULES: i64 = 3;
const ROUNDS_A_DAY: i64 = 6;
const DAYS: i64 = 3650;
/// Stroke maps that differ; the rest repeat them, since making them is not what is measured.
const MAPS: usize = 200;

/// A map with events at fixed angles and the scatter of real ones, so that its size on the disk is that of a real one.
fn made_up(dice: &mut Dice) -> Analysis {
    const BANDS: usize = seatsong::inside::dsp::bands::N_BAND;
    let mut power = vec![0.0_f32; N_FINE * BANDS];
    for k in 0..N_FINE {
        let angle = k as f64 / N_FINE as f64;
        let event: f64 = [0.05, 0.3, 0.55, 0.8].iter().map(|c| (-((angle - c) / 0.02).powi(2)).exp()).sum();
        for b in 0..BANDS {
            let level = -50.0 - 0.8 * b as f64 + 15.0 * event + 1.2 * (dice.roll() + dice.roll() - 1.0);
            power[k * BANDS + b] = 10.0_f64.powf(level / 10.0) as f32;
        }
    }
    let spread_db = (0..N_FINE * BANDS).map(|_| 3.0 + 2.0 * dice.roll() as f32).collect();
    let swings = (0..N_SWING * SWING_CELLS).map(|_| (dice.roll() - 0.5) as f32).collect();
    let take = Take {
        spm: 70.0 + 5.0 * dice.roll(),
        strokes: 35,
        lock: 0.95,
        strength: 2.0,
        mark: Some(Mark::pulse(0.0)),
        map: FoldedMap { power, spread_db, n_usable: BANDS, swings },
        second_spm: None,
        phase: None,
    };
    Analysis {
        takes: vec![take],
        level_db: -30.0,
        sample_rate_hz: 48_000.0,
        first_centre_s: 0.005,
        findings: Vec::<Finding>::new(),
    }
}

fn fill(book: &Book) {
    let conn = book.connection();
    let mut dice = Dice(10);
    let blobs: Vec<Vec<u8>> = (0..MAPS).map(|_| encode(&made_up(&mut dice))).collect();
    let start = Stamp::parse("2016-01-01T00:00:00Z").unwrap().ms;
    conn.execute_batch("PRAGMA synchronous = OFF; BEGIN").unwrap();
    let mut clip = 0_i64;
    for day in 0..DAYS {
        for walk in 0..ROUNDS_A_DAY {
            for pump in 1..=PUMPS {
                let ms = start + (day * 24 + walk * 4) * 3_600_000 + pump * 60_000;
                let at = Stamp::of_ms(ms).unwrap().text;
                let mut rows = conn
                    .prepare_cached("INSERT INTO round (pump_id, started_at, started_ms, closed_at, spm, pressure_pa) VALUES (?1, ?2, ?3, ?2, 72.0, 1.8e7)")
                    .unwrap();
                let round = rows.insert(params![pump, at, ms]).unwrap();
                // Every twentieth round is accepted: 3,285 in all.
                let good = round % 20 == 0;
                let verdict = conn
                    .prepare_cached("INSERT INTO verdict (round_id, method, basis, made_at, current, document) VALUES (?1, ?2, '{}', ?3, 1, ?4)")
                    .unwrap()
                    .insert(params![round, METHOD, at, "x".repeat(3000)])
                    .unwrap();
                for module in 1..=MODULES {
                    clip += 1;
                    let spot = (pump - 1) * MODULES + module;
                    conn.prepare_cached("INSERT INTO clip (round_id, spot_id, file, sha256, bytes, original, taken_at, added_at) VALUES (?1, ?2, ?3, ?4, 2600000, 'm.wav', ?5, ?5)")
                        .unwrap()
                        .execute(params![round, spot, format!("clips/{clip}.wav"), format!("{clip:064x}"), at])
                        .unwrap();
                    let blob = &blobs[(clip as usize * 7) % MAPS];
                    conn.prepare_cached(
                        "INSERT INTO analysis (clip_id, method, hint_spm, data, made_at) VALUES (?1, ?2, 72.0, ?3, ?4)",
                    )
                    .unwrap()
                    .execute(params![clip, METHOD, blob, at])
                    .unwrap();
                    conn.prepare_cached("INSERT INTO verdict_clip (verdict_id, clip_id, pump_id, module, started_ms, current, state, departure, excess_db, half, pattern, hiss_sd) VALUES (?1, ?2, ?3, ?4, ?5, 1, 'steady', ?6, 0.2, 'unknown', 'unclear', ?7)")
                        .unwrap()
                        .execute(params![verdict, clip, pump, module, ms, 0.3 + 0.4 * dice.roll(), dice.roll() - 0.5])
                        .unwrap();
                    if good {
                        conn.prepare_cached("INSERT INTO good (round_id, pump_id, module, started_ms, accepted_at) VALUES (?1, ?2, ?3, ?4, ?5)")
                            .unwrap()
                            .execute(params![round, pump, module, ms, at])
                            .unwrap();
                    }
                }
            }
        }
    }
    fill_tours(conn, start);
    conn.execute_batch("COMMIT; PRAGMA wal_checkpoint(TRUNCATE)").unwrap();
}

/// Two tours a day: running hours, and every check of the sheet that comes with the program once a pump (or module) and tour; a liner
/// and a valve a module are changed every two months.
fn fill_tours(conn: &rusqlite::Connection, start: i64) {
    let sheet = seatsong::inside::tour::parse_sheet(seatsong::inside::tour::DEFAULT_SHEET, "the sheet").unwrap();
    let mut entries = 0_i64;
    for tour in 0..2 * DAYS {
        let ms = start + tour * 12 * 3_600_000;
        let at = Stamp::of_ms(ms + 3_600_000).unwrap().text;
        let mut check = |name: &str, pump: Option<i64>, module: Option<i64>| {
            entries += 1;
            conn.prepare_cached("INSERT INTO check_entry (check_name, pump_id, module, at, at_ms, by_position, outcome, entered_at) VALUES (?1, ?2, ?3, ?4, ?5, 'derrickman', 'fine', ?4)")
                .unwrap()
                .execute(params![name, pump, module, at, ms + 3_600_000])
                .unwrap();
            conn.prepare_cached("INSERT INTO answer (check_entry_id, ask, kind, value_si, unit) VALUES (?1, ?2, 'reading', 250000.0, 'psi')")
                .unwrap()
                .execute(params![entries, name])
                .unwrap();
        };
        for c in &sheet.checks {
            match c.per {
                seatsong::inside::tour::Per::Rig => check(&c.id, None, None),
                seatsong::inside::tour::Per::Pump => (1..=PUMPS).for_each(|p| check(&c.id, Some(p), None)),
                // Those of modules once in twenty tours, so that the entries are of a real book's number.
                seatsong::inside::tour::Per::Module if tour % 20 == 0 => {
                    (1..=PUMPS).for_each(|p| (1..=MODULES).for_each(|m| check(&c.id, Some(p), Some(m))));
                }
                seatsong::inside::tour::Per::Module => {}
            }
        }
        for pump in 1..=PUMPS {
            conn.prepare_cached("INSERT INTO run_log (pump_id, from_ms, to_ms, hours, by_position, entered_at) VALUES (?1, ?2, ?3, 9.5, 'driller', ?4)")
                .unwrap()
                .execute(params![pump, ms, ms + 12 * 3_600_000, at])
                .unwrap();
        }
        if tour % 120 == 0 {
            let gone = (tour + 120 < 2 * DAYS).then_some(ms + 120 * 12 * 3_600_000);
            for (pump, module) in (1..=PUMPS).flat_map(|p| (1..=MODULES).map(move |m| (p, m))) {
                for (kind, side) in [("liner", None), ("valve", Some("suction"))] {
                    conn.prepare_cached("INSERT INTO part (pump_id, module, kind, side, fitted_at, fitted_ms, fitted_by, out_at, out_ms, why) VALUES (?1, ?2, ?3, ?4, ?5, ?6, 'mechanic', iif(?7 IS NULL, NULL, ?5), ?7, iif(?7 IS NULL, NULL, 'worn'))")
                        .unwrap()
                        .execute(params![pump, module, kind, side, at, ms, gone])
                        .unwrap();
                }
            }
        }
    }
    eprintln!("{entries} entries of the check sheet");
}

#[test]
#[ignore = "writes about 3 GB and takes minutes; run with `cargo test --test book ten_years -- --ignored --nocapture`"]
fn a_book_of_ten_years_opens_and_answers_at_once() {
    let dir = tempfile::tempdir_in(env!("CARGO_TARGET_TMPDIR")).unwrap();
    seatsong(dir.path(), &["book", "new"]).ended(0);
    for name in ["A", "B", "C"] {
        seatsong(dir.path(), &["pump", "add", name, "--stroke", "12in"]).ended(0);
    }
    let place = dir.path().join("book");
    fill(&Book::open(&place).unwrap());

    // What is promised holds for the program as it is shipped; a build for tests computes some four times slower.
    let slower = if cfg!(debug_assertions) { 4.0 } else { 1.0 };
    // All figures are told before one that is too slow ends the test.
    let slow = std::cell::RefCell::new(Vec::new());
    let timed = |what: &str, most_s: f64, work: &mut dyn FnMut()| {
        let most_s = most_s * slower;
        let start = Instant::now();
        work();
        let took = start.elapsed().as_secs_f64();
        eprintln!("{what}: {took:.3} s");
        if took >= most_s {
            slow.borrow_mut().push(format!("{what}: {took:.3} s, wanted below {most_s} s"));
        }
    };
    let mut book = None;
    timed("open", 0.2, &mut || book = Some(Book::open(&place).unwrap()));
    let mut book = book.unwrap();
    let o = book.overview().unwrap();
    eprintln!("{} rounds, {} clips, database {:.2} GB", o.rounds, o.clips, o.database_bytes as f64 / 1e9);
    assert_eq!((o.rounds, o.clips), (PUMPS * ROUNDS_A_DAY * DAYS, PUMPS * MODULES * ROUNDS_A_DAY * DAYS));
    let pump = book.pump("B").unwrap();
    timed("list of rounds", 1.0, &mut || assert_eq!(book.round_lines(None, 50).unwrap().len(), 50));
    timed("list of a pump's rounds", 1.0, &mut || assert_eq!(book.round_lines(Some(&pump), 50).unwrap().len(), 50));
    let round = book.latest_round(Some(&pump)).unwrap();
    timed("verdict", 1.0, &mut || {
        let verdict = book.judge_round(&round, &|| ()).unwrap();
        assert_eq!(verdict.baselines.len(), 3);
        assert_eq!(verdict.changes.len(), 9);
    });
    drop(book);
    // The day after the last round, so that checks have a past.
    let at = "2025-12-28T10:00Z";
    for args in [
        &["verdict", "--pump", "C"][..],
        &["trend", "C"],
        &["trend", "C", "--over", "strokes", "--table"],
        &["due", "--at", at],
        &["part", "list", "--pump", "B", "--at", at],
        &["round", "list"],
        &["round", "show"],
        &["book", "show"],
    ] {
        timed(&args.join(" "), 1.0, &mut || {
            seatsong(dir.path(), args).ended(0);
        });
    }
    assert!(slow.borrow().is_empty(), "{:?}", slow.borrow());
}
