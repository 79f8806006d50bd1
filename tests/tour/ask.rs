//! `work open` asks its questions one after another: as a person answers them, with slips, a stop in the middle and a reason.

use std::io::Write as _;
use std::path::Path;
use std::process::{Command, Stdio};

use super::{run, words};

/// Runs a line with these lines typed; status, standard output, standard error.
fn typed(book: &Path, line: &str, lines: &str) -> (Option<i32>, String, String) {
    let mut child = Command::new(env!("CARGO_BIN_EXE_seatsong"))
        .args(words(line))
        .env("SEATSONG_BOOK", book)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    // Whoever asks nothing may have ended before anything is typed.
    if let Err(e) = child.stdin.take().unwrap().write_all(lines.as_bytes()) {
        assert_eq!(e.kind(), std::io::ErrorKind::BrokenPipe, "{e}");
    }
    let out = child.wait_with_output().unwrap();
    let text = |bytes: Vec<u8>| String::from_utf8(bytes).unwrap();
    (out.status.code(), text(out.stdout), text(out.stderr))
}

fn book_with_job(dir: &Path) -> std::path::PathBuf {
    let book = dir.join("book");
    for line in
        ["book new", "pump add MP-1 --stroke 12in", "work start 'module 2, discharge seat' --at '2024-05-04 08:50'"]
    {
        assert!(run(&book, line).status.success(), "{line}");
    }
    book
}

#[test]
fn questions_are_asked_one_after_another_and_each_answer_is_kept_at_once() {
    let temporary = tempfile::tempdir().unwrap();
    let book = book_with_job(temporary.path());
    let open = "work open 1 --ask --at '2024-05-04 09:00'";
    // Blank, a no and one lock are not taken; then somebody is called away.
    let (status, out, err) =
        typed(&book, open, "yes\n\nno\n4711 by toolpusher\nyes\nyes\nno\nyes\nM-88 by mechanic\nstop\n");
    assert_eq!(status, Some(1), "{out}{err}");
    assert!(out.contains("1 of 9, risk-review") && out.contains("Nothing was written"), "{out}");
    assert!(out.contains("left out with its reason"), "a no is not a yes: {out}");
    assert!(err.contains("stopped with 3 question(s)") && err.contains("the same command goes on"), "{err}");
    let listed = String::from_utf8(run(&book, "work list 1").stdout).unwrap();
    assert!(listed.contains("permit: confirmed, 4711 (toolpusher)") && listed.contains("M-88 (mechanic)"), "{listed}");

    // It goes on where it stopped: with the electrical isolation.
    let rest = "skip electrician on the way\n1\n2 by mechanic\n3 bar\n0 bar by mechanic\nopened\n";
    let (status, out, err) = typed(&book, open, rest);
    assert_eq!(status, Some(0), "{out}{err}");
    assert!(out.contains("1 of 3, electrical-isolation"), "{out}");
    assert!(out.contains("at least 2 are needed") && out.contains("not bled"), "{out}");
    assert!(
        out.contains("NOT CONFIRMED. The site still has to confirm: electrical isolation in the isolation log"),
        "{out}"
    );
    assert!(out.contains("not a clearance") && out.contains("fluid end opened (derrickman)"), "{out}");
    assert!(!out.to_lowercase().contains("safe"), "{out}");
}

#[test]
fn an_opening_is_recorded_by_its_own_word_only() {
    let temporary = tempfile::tempdir().unwrap();
    let book = book_with_job(temporary.path());
    let open = "work open 1 --ask --at '2024-05-04 09:00'";
    let answers = "yes\n4711\nyes\nyes\nyes\nM-1\nE-2\n2\n0 bar\n";
    for last in ["yes\n", "\n", ""] {
        let (status, out, err) = typed(&book, open, &format!("{answers}{last}"));
        assert!(status != Some(0) && err.contains("not recorded as opened"), "{last:?}: {out}{err}");
    }
    let (status, out, _) = typed(&book, open, "opened\n");
    assert!(status == Some(0) && out.contains("fluid end opened"), "{out}");
}

#[test]
fn a_script_is_told_what_is_missing_instead_of_hanging_on_a_question() {
    let temporary = tempfile::tempdir().unwrap();
    let book = book_with_job(temporary.path());
    let (status, out, err) = typed(&book, "work open 1", "yes\nyes\n");
    assert_eq!((status, out.as_str()), (Some(1), ""));
    assert!(err.contains("permit to work") && err.contains("leave it out with a reason"), "{err}");
}

#[test]
fn nothing_typed_at_all_stops_without_a_trace() {
    let temporary = tempfile::tempdir().unwrap();
    let book = book_with_job(temporary.path());
    let (status, _, err) = typed(&book, "work open 1 --ask", "");
    assert!(status == Some(1) && err.contains("stopped with 9 question(s)"), "{err}");
    let listed = String::from_utf8(run(&book, "work list 1 --json").stdout).unwrap();
    let document: serde_json::Value = serde_json::from_str(&listed).unwrap();
    assert_eq!(document["jobs"][0]["entries"].as_array().unwrap().len(), 0);
}
