use crate::helper::{seatsong, with_pump};

#[test]
fn a_book_that_is_not_there_says_how_to_make_one() {
    let dir = tempfile::tempdir().unwrap();
    for args in [&["round", "list"][..], &["verdict"], &["book", "check"], &["pump", "show"]] {
        seatsong(dir.path(), args).ended(1).says("seatsong book new");
    }
    seatsong(dir.path(), &["book", "new"]).ended(0);
    seatsong(dir.path(), &["book", "new"]).ended(1).says("a book here already");
}

#[test]
fn a_newer_book_is_refused_and_left_as_it_is() {
    let dir = with_pump();
    let path = dir.path().join("book/book.db");
    let conn = rusqlite::Connection::open(&path).unwrap();
    conn.pragma_update(None, "user_version", seatsong::inside::book::SCHEMA + 1).unwrap();
    drop(conn);
    let before = std::fs::read(&path).unwrap();
    seatsong(dir.path(), &["pump", "show"]).ended(1).says("newer seatsong");
    assert_eq!(std::fs::read(&path).unwrap(), before);
}

#[test]
fn numbers_without_units_are_refused_with_what_to_type() {
    let dir = with_pump();
    seatsong(dir.path(), &["round", "start", "--pressure", "2600"]).ended(2).says("2600 psi or 2600 bar");
    seatsong(dir.path(), &["round", "start", "--mud", "10.2"]).ended(2).says("ppg");
    seatsong(dir.path(), &["pump", "add", "X", "--stroke", "12"]).ended(2).says("12 in or 12 mm");
    seatsong(dir.path(), &["round", "start", "--at", "noon"]).ended(2).says("2026-11-25");
}

#[test]
fn pumps_are_shown_in_their_own_units() {
    let dir = with_pump();
    let args = ["pump", "add", "MP-2", "--stroke", "305mm", "--liner", "6 1/2in=2,5ksi", "--fitted", "6.5in"];
    seatsong(dir.path(), &args).ended(2);
    let args = ["pump", "add", "MP-2", "--stroke", "304,8mm", "--liner", "6 1/2in=200bar", "--fitted", "6.5in"];
    seatsong(dir.path(), &args).ended(0).tells("stroke 12 in").tells("fitted liner 6.5 in, rated 2901 psi");
    seatsong(dir.path(), &["pump", "set", "MP-2", "--units", "si"]).ended(0).tells("165.1 mm, rated 200 bar");
    seatsong(dir.path(), &["round", "start"]).ended(1).says("--pump NAME");
    seatsong(dir.path(), &["spot", "list", "--pump", "MP-9"]).ended(1).says("MP-1, MP-2");
}

#[test]
fn a_round_without_clips_has_no_verdict() {
    let dir = with_pump();
    seatsong(dir.path(), &["verdict"]).ended(1).says("seatsong import");
    seatsong(dir.path(), &["round", "start", "--spm", "72"]).ended(0).tells("open");
    seatsong(dir.path(), &["verdict", "1"]).ended(1).says("no clips yet");
    seatsong(dir.path(), &["baseline", "accept", "1"]).ended(1).says("no clips");
    seatsong(dir.path(), &["round", "close", "--remarks", "screen cleaned"])
        .ended(0)
        .tells("closed")
        .tells("screen cleaned");
    seatsong(dir.path(), &["round", "close", "1"]).ended(1).says("closed at");
    seatsong(dir.path(), &["verdict", "99"]).ended(1).says("round list");
}
