use std::path::Path;
use std::process::Command;

use super::helper::{Folder, Ran, seatsong};

/// The commands that the demo names at its end, as they stand there.
fn next_commands(ran: &Ran) -> Vec<String> {
    let (_, after) = ran.out.split_once("Try next").unwrap_or_else(|| panic!("{ran}"));
    after.lines().skip(1).take_while(|l| l.starts_with("  ")).map(|l| l.trim().to_owned()).collect()
}

/// Runs a line as a person types it.
fn typed(dir: &Path, line: &str) -> Ran {
    let mut shell = Command::new("sh");
    shell.args(["-c", line]).current_dir(dir).env_remove("SEATSONG_BOOK").env("TZ", "UTC");
    Ran::of(shell.output().unwrap(), &[line], dir).ended(0)
}

#[test]
fn the_demo_finds_the_washing_valve_and_ends_with_the_handover_note() {
    let here = Folder::new();
    // A name that a shell has to be told is one.
    let dir = here.path().join("the rig's demo");
    std::fs::create_dir(&dir).unwrap();
    std::fs::write(dir.join("mine.txt"), "a file of the user").unwrap();
    let ran = seatsong(here.path(), &["demo", "the rig's demo"]).ended(0);
    let read = |name: &str| std::fs::read_to_string(dir.join(name)).unwrap();
    assert_eq!(read("mine.txt"), "a file of the user");

    // The note is that of `handover`: page, PDF, text.
    assert!(ran.out.contains("handover.html"), "{ran}");
    let page = read("handover.html");
    assert!(page.contains("data:image/png;base64,") && !page.contains("http://"), "the note stands alone");
    for part in ["Pump handover: Invented rig Grey Heron", "All clips are made up", "pumpA", "pumpB"] {
        assert!(page.contains(part), "{part}");
    }
    assert!(std::fs::read(dir.join("handover.pdf")).unwrap().starts_with(b"%PDF-"));
    let text = read("handover.txt");
    let first = text.lines().find(|l| l.contains("pumpA, module 2")).unwrap_or_else(|| panic!("{text}"));
    assert!(first.contains("hiss in the suction half"), "{text}");

    // What it found lies in its book.
    let book = dir.join("book");
    let of_book = |args: &[&str]| seatsong(here.path(), &[args, &["--book", book.to_str().unwrap()]].concat()).ended(0);
    let verdicts = of_book(&["verdict", "--pump", "pumpA", "--json"]).json();
    let clips = verdicts["clips"].as_array().unwrap();
    let of = |m: u64| clips.iter().find(|c| c["module"] == m).unwrap();
    assert!(["drifting", "departed"].contains(&of(2)["verdict"].as_str().unwrap()), "{verdicts:#}");
    assert_eq!(of(2)["half"], "suction", "{verdicts:#}");
    for m in [1, 3] {
        assert!(of(2)["departure"].as_f64() > of(m)["departure"].as_f64());
    }
    let other = of_book(&["verdict", "--pump", "pumpB", "--json"]).json();
    assert!(other["clips"].as_array().unwrap().iter().all(|c| c["verdict"] == "steady"), "{other:#}");

    // What it says to try next does what it says.
    let next = next_commands(&ran);
    let [picture, sound, page] = &next[..] else { panic!("{next:?}") };
    typed(here.path(), picture).tells("Module 2 DEPARTED");
    assert!(std::fs::read(dir.join("pumpA.png")).unwrap().starts_with(b"\x89PNG"));
    typed(here.path(), sound);
    assert!(dir.join("sound/pumpA-module-2.wav").exists());
    typed(here.path(), &format!("{page} --help")).tells("listening page");

    // Again in the same folder: its book is gone on with, and what a person has entered in it stays.
    of_book(&["concern", "add", "relief line bracket loose", "--pump", "pumpA"]);
    let before = of_book(&["book", "show", "--json"]).json();
    assert_eq!((&before["holds"]["rounds"], &before["holds"]["clips"]), (&18.into(), &54.into()));
    let again = seatsong(here.path(), &["demo", "the rig's demo"]).ended(0).says("what is in it stays");
    assert_eq!(next_commands(&again), next);
    let after = of_book(&["book", "show", "--json"]).json();
    for count in ["pumps", "rounds", "clips", "maps", "verdicts"] {
        assert_eq!(after["holds"][count], before["holds"][count], "{count}");
    }
    of_book(&["concern", "list"]).tells("relief line bracket loose");
}

#[test]
fn a_book_that_the_demo_did_not_make_is_never_written_to() {
    let here = Folder::new();
    seatsong(here.path(), &["book", "new"]).ended(0);
    let before = seatsong(here.path(), &["book", "show", "--json"]).ended(0).out;
    seatsong(here.path(), &["demo", "."]).ended(1).says("give another folder");
    assert_eq!(seatsong(here.path(), &["book", "show", "--json"]).ended(0).out, before);
    assert!(!here.path().join("handover.html").exists());
}
