//! The plug is pulled: `kill -9` at random moments, 200 in all.

use std::io::{BufRead as _, BufReader, Read as _};
use std::path::Path;
use std::process::Stdio;
use std::time::{Duration, Instant};

use seatsong::inside::book::Book;

use crate::helper::{Dice, command, files, seatsong, with_pump, with_rounds};

/// Kills in each kind of work; together 200.
const IMPORTS: usize = 100;
const VERDICTS: usize = 50;
const CLOSES: usize = 50;

/// Starts the program and kills it a while after it has told so many lines; what it had told until then, and how long it took if it was
/// faster than that.
fn killed(dir: &Path, args: &[&str], lines: usize, after: Duration) -> (String, Option<Duration>) {
    let mut child = command(dir, args).stdout(Stdio::piped()).stderr(Stdio::null()).spawn().unwrap();
    let start = Instant::now();
    let mut out = BufReader::new(child.stdout.take().unwrap());
    let mut told = String::new();
    // Nothing comes only where the child has ended.
    while told.lines().count() < lines && out.read_line(&mut told).unwrap() > 0 {}
    let from = Instant::now();
    while from.elapsed() < after {
        if child.try_wait().unwrap().is_some() {
            break;
        }
        std::thread::sleep(Duration::from_micros(200));
    }
    // SIGKILL: nothing in the child runs after it.
    let _ = child.kill();
    let status = child.wait().unwrap();
    let took = start.elapsed();
    out.read_to_string(&mut told).unwrap();
    // A status is one's own; killed has none.
    (told, status.code().map(|_| took))
}

/// Does work until it was killed `n` times, at moments spread over its time; runs that were faster do not count.
fn until_killed(n: usize, seed: u64, usual: Duration, work: &mut dyn FnMut(usize, Duration) -> Option<Duration>) {
    let mut dice = Dice(seed);
    let (mut kills, mut usual) = (0, usual);
    for k in 0..5 * n {
        match work(k, usual.mul_f64(dice.roll())) {
            None => kills += 1,
            Some(took) => usual = usual.min(took),
        }
        if kills == n {
            return;
        }
    }
    panic!("only {kills} of {n} were killed");
}

fn time_of(dir: &Path, args: &[&str]) -> Duration {
    let start = Instant::now();
    seatsong(dir, args).ended(0);
    start.elapsed()
}

fn whole(dir: &Path, what: &str) {
    let report = Book::open(&dir.join("book")).unwrap().check(&|| ()).unwrap();
    assert_eq!(report.faults, [], "{what}");
}

#[test]
fn an_import_killed_at_any_moment_leaves_a_whole_book_with_all_that_was_told() {
    let dir = with_pump();
    let mut dice = Dice(1);
    files(&dir.path().join("first"), 12, 60_000, &mut dice);
    let usual = time_of(dir.path(), &["import", "first"]);
    let mut told_in_all = 0;
    until_killed(IMPORTS, 101, usual, &mut |k, after| {
        let name = format!("walk-{k}");
        let paths = files(&dir.path().join(&name), 12, 60_000, &mut dice);
        // Every other one by how far it has come: how much it does in a time depends on what else the machine is at.
        let (lines, after) = if k % 2 == 0 { (0, after) } else { (k / 2 % 12, after / 12) };
        let (told, ended) = killed(dir.path(), &["import", &name], lines, after);
        whole(dir.path(), &name);
        let book = Book::open(&dir.path().join("book")).unwrap();
        for line in told.lines().filter(|l| l.contains(": round ")) {
            // `walk-3/m1-0.wav: round 4, module 1, clips/...`
            let (file, kept) = (line.split(": round").next().unwrap(), line.rsplit(", ").next().unwrap());
            let original = std::fs::read(dir.path().join(file)).unwrap();
            assert_eq!(std::fs::read(book.dir().join(kept)).unwrap(), original, "{line}");
            told_in_all += 1;
        }
        if k % 10 == 0 {
            // The same command again brings the rest, into the same round.
            seatsong(dir.path(), &["import", &name]).ended(0);
            let rounds: Vec<i64> = paths.iter().map(|p| book.known_clip(p).unwrap().1.unwrap().round).collect();
            assert!(rounds.iter().all(|r| *r == rounds[0]), "{rounds:?}");
        }
        ended
    });
    // Else the kills came too early to mean anything.
    assert!(told_in_all > IMPORTS, "{told_in_all} recordings were told");
}

#[test]
fn a_verdict_killed_at_any_moment_leaves_a_whole_book() {
    let dir = with_rounds();
    let accept = ["baseline", "accept", "1", "2", "3", "4", "5", "6"];
    seatsong(dir.path(), &accept).ended(0);
    let usual = time_of(dir.path(), &["verdict"]);
    let want = seatsong(dir.path(), &["verdict", "--json"]).ended(0).out;
    until_killed(VERDICTS, 102, usual, &mut |k, after| {
        // So that there is something to do: no stroke maps, no verdict.
        let book = Book::open(&dir.path().join("book")).unwrap();
        book.connection().execute_batch("DELETE FROM analysis; DELETE FROM verdict_clip; DELETE FROM verdict").unwrap();
        drop(book);
        let (told, ended) = killed(dir.path(), &["verdict", "--json"], 0, after);
        whole(dir.path(), &format!("verdict {k}"));
        let book = Book::open(&dir.path().join("book")).unwrap();
        let kept: i64 = book.connection().query_row("SELECT count(*) FROM verdict", [], |r| r.get(0)).unwrap();
        let rows: i64 = book.connection().query_row("SELECT count(*) FROM verdict_clip", [], |r| r.get(0)).unwrap();
        assert_eq!(rows, 3 * kept, "a verdict is kept as a whole or not at all");
        if !told.is_empty() {
            assert_eq!(kept, 1, "told and not kept");
        }
        assert_eq!(book.overview().unwrap().rounds, 7);
        ended
    });
    assert_eq!(seatsong(dir.path(), &["verdict", "--json"]).ended(0).out, want, "after all that, the same verdict");
}

#[test]
fn a_round_closed_when_the_plug_is_pulled_is_closed_or_open_and_never_half() {
    let dir = with_pump();
    seatsong(dir.path(), &["round", "start"]).ended(0);
    let usual = time_of(dir.path(), &["round", "close", "1"]);
    until_killed(CLOSES, 103, usual, &mut |k, after| {
        let started = seatsong(dir.path(), &["round", "start", "--spm", "72", "--json"]).ended(0).json();
        let number = started["round"]["number"].to_string();
        let args = ["round", "close", &number, "--remarks", "screen cleaned", "--pressure", "180bar"];
        let (told, ended) = killed(dir.path(), &args, 0, after);
        whole(dir.path(), &format!("close {k}"));
        let book = Book::open(&dir.path().join("book")).unwrap();
        let round = book.round(number.parse().unwrap()).unwrap();
        let said = (round.closed_at.is_some(), round.remarks == "screen cleaned", round.pressure_pa.is_some());
        assert!(said == (true, true, true) || said == (false, false, false), "{round:?}");
        assert_eq!(round.spm, Some(72.0));
        if told.contains("closed") {
            assert!(said.0, "told and not kept: {told}");
        }
        ended
    });
}
