//! Which round an import brings its recordings into: never a closed one, and an open one only if the same import began it.

use std::path::Path;

use serde_json::Value;

use crate::helper::{bring_in, room, seatsong, with_pump, with_rounds};

/// The room's clips of a walk onto a card, under names that no other walk has.
fn onto(card: &Path, walk: &str) {
    std::fs::create_dir_all(card).unwrap();
    for m in 1..=3 {
        std::fs::copy(room().join(format!("{walk}/m{m}.wav")), card.join(format!("m{m}-{walk}.wav"))).unwrap();
    }
}

/// Everything that the book says of a round, its clips and what was accepted of it, word for word.
fn rows_of(dir: &Path, round: i64) -> Vec<String> {
    let conn = rusqlite::Connection::open(dir.join("book/book.db")).unwrap();
    let mut out = Vec::new();
    for (table, key) in [("round", "id"), ("clip", "round_id"), ("good", "round_id"), ("watch_round", "round_id")] {
        let mut rows = conn.prepare(&format!("SELECT * FROM {table} WHERE {key} = ?1 ORDER BY 1")).unwrap();
        let n = rows.column_count();
        let line = |r: &rusqlite::Row<'_>| {
            (0..n)
                .map(|i| r.get::<_, rusqlite::types::Value>(i).map(|v| format!("{v:?}")))
                .collect::<Result<Vec<_>, _>>()
        };
        out.extend(rows.query_map([round], line).unwrap().map(|r| format!("{table} {}", r.unwrap().join(" "))));
    }
    out
}

fn round(dir: &Path, n: i64) -> Value {
    seatsong(dir, &["round", "show", &n.to_string(), "--json"]).ended(0).json()["round"].clone()
}

fn clips(round: &Value) -> usize {
    round["clips"].as_array().unwrap().len()
}

#[test]
fn a_second_card_leaves_an_accepted_round_as_it_is() {
    let dir = with_pump();
    let card = dir.path().join("card");
    for r in 1..=5 {
        bring_in(dir.path(), room(), r);
    }
    onto(&card, "round-06");
    // A recorder that was switched on and off: the same no bytes on both walks.
    std::fs::write(card.join("m1-empty.wav"), "").unwrap();
    let first = ["import", "card", "--at", "2026-11-06T06:00Z", "--pressure", "200bar", "--close"];
    seatsong(dir.path(), &first).ended(0).tells("4 new clip(s) in round 6");
    seatsong(dir.path(), &["baseline", "accept", "1", "2", "3", "4", "5", "6"]).ended(0);
    let before = rows_of(dir.path(), 6);
    assert_eq!(before.len(), 1 + 4 + 3, "{before:#?}");

    onto(&card, "today");
    let second = ["import", "card", "--at", "2026-11-13T06:00Z", "--pressure", "190bar", "--close"];
    let ran = seatsong(dir.path(), &second).ended(0).tells("3 new clip(s) in round 7");
    for name in ["m1-round-06", "m2-round-06", "m3-round-06", "m1-empty"] {
        assert!(ran.err.contains(&format!("card/{name}.wav: is in the book already (round 6")), "{ran}");
    }
    assert_eq!(rows_of(dir.path(), 6), before);
    let new = round(dir.path(), 7);
    assert_eq!((&new["at"], clips(&new)), (&"2026-11-13T06:00:00+00:00".into(), 3));
    assert!((new["pressure_pa"].as_f64().unwrap() - 1.9e7).abs() < 1.0, "{new}");
    let all = seatsong(dir.path(), &["verdict", "7", "--json"]).ended(0).json();
    let clip = all["clips"].as_array().unwrap().iter().find(|c| c["module"] == 2).unwrap().clone();
    assert!(clip["verdict"] == "departed" && clip["departure"].as_f64().unwrap() > 3.0, "{clip}");
}

#[test]
fn a_closed_round_takes_nothing_more_by_its_number_either() {
    let dir = with_rounds();
    seatsong(dir.path(), &["round", "close", "7"]).ended(0);
    let before = rows_of(dir.path(), 7);
    let more = dir.path().join("m1-more.wav");
    std::fs::write(&more, "another recording").unwrap();
    for named in ["7", "last"] {
        let args = ["import", "m1-more.wav", "--round", named, "--pressure", "190bar", "--at", "2026-11-20T06:00Z"];
        seatsong(dir.path(), &args).ended(1).says("round 7 was closed at").says("leave out --round");
    }
    // What is in it already changes nothing, and is told.
    let clip = room().join("today/m1.wav").to_str().unwrap().to_owned();
    let args = ["import", &clip, "--round", "7", "--pressure", "190bar", "--close"];
    seatsong(dir.path(), &args).ended(0).says("is in the book already (round 7");
    assert_eq!(rows_of(dir.path(), 7), before);
    seatsong(dir.path(), &["record", "--module", "1", "--round", "7", "--device", "wav:none.wav"])
        .ended(1)
        .says("round 7 was closed at");
    assert_eq!(rows_of(dir.path(), 7), before);
    // The same recording without --round is a round of its own; an open one takes more of it.
    seatsong(dir.path(), &["import", "m1-more.wav"]).ended(0).tells("1 new clip(s) in round 8");
    std::fs::write(&more, "one more").unwrap();
    seatsong(dir.path(), &["import", "m1-more.wav", "--round", "open", "--spm", "70", "--close"]).ended(0);
    let open = round(dir.path(), 8);
    assert_eq!((clips(&open), &open["spm"], open["closed_at"].is_string()), (2, &70.0.into(), true));
}

#[test]
fn the_same_recordings_are_noticed_and_what_is_new_is_a_round_of_its_own() {
    let dir = with_pump();
    let folder = dir.path().join("usb");
    std::fs::create_dir(&folder).unwrap();
    for m in 1..=3 {
        std::fs::copy(room().join(format!("round-01/m{m}.wav")), folder.join(format!("m{m}.wav"))).unwrap();
    }
    std::fs::write(folder.join("notes.wav"), "not meant").unwrap();
    seatsong(dir.path(), &["import", "usb/m1.wav", "--json"]).ended(0);
    // That import ended: this is another one, though the round is open still.
    let rest = seatsong(dir.path(), &["import", "usb", "--map", "m{module}.wav", "--spm", "88", "--json"]).ended(0);
    let rest = rest.says("is in the book already").json();
    assert_eq!((&rest["round"], rest["added"].as_array().unwrap().len()), (&2.into(), 2));
    assert_eq!(rest["known"].as_array().unwrap().len(), 1);
    seatsong(dir.path(), &["import", "usb", "--map", "m{module}.wav"]).ended(0).tells("Nothing new: 3");
    assert_eq!((clips(&round(dir.path(), 1)), &round(dir.path(), 1)["spm"]), (1, &Value::Null));
    assert_eq!((clips(&round(dir.path(), 2)), &round(dir.path(), 2)["spm"]), (2, &88.0.into()));
    // Without a pattern a name that tells no module is told, and the work counts as failed.
    seatsong(dir.path(), &["import", "usb/notes.wav"]).ended(1).says("--module");
}

/// Runs an import that no file of over some 200 kB gets through, as on a disk that is full.
fn on_a_full_disk(dir: &Path, args: &str) {
    let script = format!("trap '' XFSZ; ulimit -f 390; exec {} import {args}", env!("CARGO_BIN_EXE_seatsong"));
    let mut shell = std::process::Command::new("sh");
    let ran =
        shell.args(["-c", &script]).current_dir(dir).env_remove("SEATSONG_BOOK").env("TZ", "UTC").output().unwrap();
    let words = String::from_utf8_lossy(&ran.stderr).into_owned();
    assert_eq!(ran.status.code(), Some(1), "{words}");
    assert!(words.contains("the disk is full"), "{words}");
}

#[test]
fn an_import_that_was_interrupted_goes_on_and_another_one_does_not() {
    let dir = with_pump();
    let card = dir.path().join("card");
    std::fs::create_dir(&card).unwrap();
    let put = |name: &str, bytes: usize| std::fs::write(card.join(name), format!("{name} ").repeat(bytes / 8)).unwrap();
    put("m1.wav", 10_000);
    put("m2.wav", 400_000);
    put("m3.wav", 10_000);
    let typed = "card --at 2026-11-06T06:00Z --pressure 200bar --close";
    on_a_full_disk(dir.path(), typed);
    let half = round(dir.path(), 1);
    assert_eq!((clips(&half), &half["closed_at"]), (2, &Value::Null), "not all are in: it stays open");
    let import = |typed: &str| {
        let args: Vec<&str> = std::iter::once("import").chain(typed.split(' ')).collect();
        seatsong(dir.path(), &args).ended(0)
    };
    // Another time, another pressure: another import, and the round of the first stays as it is.
    let before = rows_of(dir.path(), 1);
    for (n, from, to) in [(2, "2026-11-06", "2026-11-07"), (3, "200bar", "190bar")] {
        put(&format!("m1-new{n}.wav"), 9_000);
        let other = typed.replace(from, to).replace("card", &format!("card/m1-new{n}.wav"));
        import(&other).tells(&format!("1 new clip(s) in round {n}"));
    }
    assert_eq!(rows_of(dir.path(), 1), before);
    // The same command again: what was to come comes, and what the card has besides is a round of its own.
    put("m1-besides.wav", 8_000);
    let ran = import(typed).says("it goes on in round 1");
    assert!(ran.out.contains("1 new clip(s) in round 1") && ran.out.contains("1 new clip(s) in round 4"), "{ran}");
    let whole = round(dir.path(), 1);
    assert_eq!((clips(&whole), whole["closed_at"].is_string()), (3, true));
    assert_eq!((clips(&round(dir.path(), 4)), round(dir.path(), 4)["closed_at"].is_string()), (1, true));
    // It has ended: the same command with more on the card is a new walk.
    put("m1-later.wav", 7_000);
    import(typed).tells("1 new clip(s) in round 5");
}

#[test]
fn an_interrupted_import_whose_round_was_closed_by_hand_no_longer_goes_on_there() {
    let dir = with_pump();
    let card = dir.path().join("card");
    std::fs::create_dir(&card).unwrap();
    std::fs::write(card.join("m1.wav"), "short").unwrap();
    std::fs::write(card.join("m2.wav"), "long ".repeat(80_000)).unwrap();
    on_a_full_disk(dir.path(), "card");
    seatsong(dir.path(), &["round", "close", "1"]).ended(0);
    let before = rows_of(dir.path(), 1);
    seatsong(dir.path(), &["import", "card"]).ended(0).tells("1 new clip(s) in round 2");
    assert_eq!(rows_of(dir.path(), 1), before);
}

#[test]
fn a_recording_that_the_book_has_lost_comes_back_to_its_own_round() {
    let dir = with_rounds();
    seatsong(dir.path(), &["round", "close", "7"]).ended(0);
    let before = rows_of(dir.path(), 7);
    let lost = round(dir.path(), 7)["clips"][0]["file"].as_str().unwrap().to_owned();
    std::fs::remove_file(dir.path().join("book").join(&lost)).unwrap();
    let folder = room().join("today").to_str().unwrap().to_owned();
    let ran =
        seatsong(dir.path(), &["import", &folder, "--at", "2026-12-01T06:00Z"]).ended(0).says("it is back (round 7");
    assert!(ran.out.contains("Nothing new"), "{ran}");
    assert!(dir.path().join("book").join(&lost).is_file());
    assert_eq!(rows_of(dir.path(), 7), before);
    seatsong(dir.path(), &["book", "check"]).ended(0);
}
