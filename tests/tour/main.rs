//! One scripted tour of an invented rig, 06:00 to 18:00, as a person would type it; its note is compared with a reviewed snapshot.

#![expect(clippy::unwrap_used, reason = "helpers of tests")]

mod ask;
mod browser;
mod photos;

use std::path::Path;
use std::process::{Command, Output};

use seatsong::inside::sample::Scenario;

const FOLDER: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/samples/tour");

fn read(name: &str) -> String {
    std::fs::read_to_string(Path::new(FOLDER).join(name)).unwrap()
}

/// Splits a line as a shell would, single quotes only.
fn words(line: &str) -> Vec<String> {
    let mut out = vec![String::new()];
    let mut quoted = false;
    for c in line.chars() {
        match c {
            '\'' => quoted = !quoted,
            ' ' if !quoted => out.push(String::new()),
            c => out.last_mut().unwrap().push(c),
        }
    }
    assert!(!quoted, "{line}");
    out.retain(|w| !w.is_empty());
    out
}

fn run(book: &Path, line: &str) -> Output {
    Command::new(env!("CARGO_BIN_EXE_seatsong"))
        .args(words(line))
        .env("SEATSONG_BOOK", book)
        .env("COLUMNS", "100")
        .output()
        .unwrap()
}

/// Runs every line of a script; returns what was printed, with the paths of this run taken out.
fn play(script: &str, dir: &Path) -> String {
    let (book, clips, out) = (dir.join("book"), dir.join("clips/pump"), dir.join("out"));
    let mut said = String::new();
    for line in read(script).lines().filter(|l| !l.starts_with('#') && !l.trim().is_empty()) {
        let typed = line.replace("{clips}", clips.to_str().unwrap()).replace("{out}", out.to_str().unwrap());
        let ran = run(&book, &typed);
        let printed = String::from_utf8(ran.stdout).unwrap();
        assert!(ran.status.success(), "{line}\n{printed}\n{}", String::from_utf8_lossy(&ran.stderr));
        said += &format!("> {line}\n{printed}");
    }
    said.replace(dir.to_str().unwrap(), "DIR")
}

/// Pages of a PDF: its page objects.
fn pages_of(pdf: &Path) -> usize {
    let bytes = std::fs::read(pdf).unwrap();
    assert!(bytes.starts_with(b"%PDF-"));
    let n = |what: &[u8]| bytes.windows(what.len()).filter(|w| *w == what).count();
    n(b"/Type /Page") - n(b"/Type /Pages")
}

/// Runs the whole scripted tour into a folder; returns what was printed.
fn whole_tour(dir: &Path) -> String {
    Scenario::parse(&read("room.toml"), Path::new("room.toml")).unwrap().make(&dir.join("clips"), &|| ()).unwrap();
    assert!(run(&dir.join("book"), "book new").status.success());
    std::fs::copy(Path::new(FOLDER).join("checks.toml"), dir.join("book/checks.toml")).unwrap();
    play("before.txt", dir);
    assert_eq!(read("actions.txt").lines().filter(|l| !l.starts_with('#')).count(), 40);
    play("actions.txt", dir)
}

#[test]
fn a_tour_of_forty_actions_ends_with_its_signed_note() {
    let temporary = tempfile::tempdir().unwrap();
    let dir = temporary.path();
    let said = whole_tour(dir);
    assert!(said.contains("not a clearance"));

    let note = std::fs::read_to_string(dir.join("out/handover.txt")).unwrap();
    insta::assert_snapshot!(note);
    let page = std::fs::read_to_string(dir.join("out/handover.html")).unwrap();
    assert!(page.contains("data:image/png;base64,"), "the washing module has its picture");
    // Two pumps: two pages each.
    assert!((2..=4).contains(&pages_of(&dir.join("out/handover.pdf"))));
    if let Some(look) = std::env::var_os("SEATSONG_LOOK") {
        for name in ["handover.html", "handover.pdf", "handover.txt"] {
            std::fs::copy(dir.join("out").join(name), Path::new(&look).join(name)).unwrap();
        }
        std::fs::write(Path::new(&look).join("said.txt"), &said).unwrap();
    }

    // Frozen: signing again is refused, a correction shows, and the signed bytes are still in it.
    let book = dir.join("book");
    let tour = "--tour '2024-05-04 12:00'";
    let again = run(&book, &format!("handover {tour} --sign --at '2024-05-04 17:58'"));
    assert_eq!(again.status.code(), Some(2), "{}", String::from_utf8_lossy(&again.stderr));
    // Whoever hands over does not take over; the relief signs once, with what was read.
    let same = run(&book, &format!("handover {tour} --receive --at '2024-05-04 18:04'"));
    assert!(String::from_utf8_lossy(&same.stderr).contains("say which position takes over"), "{same:?}");
    let receive = format!(
        "handover {tour} --receive --by 'relief derrickman' --remark 'listened at module 2' --at '2024-05-04 18:05'"
    );
    let taken = run(&book, &receive);
    assert!(taken.status.success(), "{}", String::from_utf8_lossy(&taken.stderr));
    let twice = run(&book, &receive);
    assert!(String::from_utf8_lossy(&twice.stderr).contains("taken over by relief derrickman already"), "{twice:?}");
    let out = dir.join("out2");
    let amended = format!(
        "handover {tour} --amend 'relief valve was set to 290 bar' --by toolpusher --at '2024-05-04 19:00' --out {}",
        out.display()
    );
    assert!(run(&book, &amended).status.success());
    let shown = std::fs::read_to_string(out.join("handover.html")).unwrap();
    for part in [
        "derrickman, 4 May 2024, 17:55",
        "relief derrickman, 4 May 2024, 18:05: listened at module 2",
        "relief valve was set to 290 bar",
        &seatsong::inside::book::fingerprint(page.as_bytes()),
    ] {
        assert!(shown.contains(part), "{part}");
    }
    assert_eq!(seatsong::inside::handover::sign::signed_part(&shown), page);
    if let Some(look) = std::env::var_os("SEATSONG_LOOK") {
        std::fs::copy(out.join("handover.html"), Path::new(&look).join("amended.html")).unwrap();
    }
    let document: serde_json::Value =
        serde_json::from_slice(&run(&book, &format!("handover {tour} --json")).stdout).unwrap();
    assert_eq!(document["giver"], "derrickman");
    assert_eq!(document["taken_over"]["by"], "relief derrickman");
    assert_eq!(document["taken_over"]["sha256"], document["sha256"]);

    // The sound of what departed, small, beside the frozen note: its command stands in the note.
    let sounds = dir.join("sounds");
    let heard = run(&book, &format!("handover {tour} --audio 2 --out {}", sounds.display()));
    assert!(heard.status.success(), "{}", String::from_utf8_lossy(&heard.stderr));
    let wav = std::fs::read(sounds.join("MP-1-module-2.wav")).unwrap();
    let reader = hound::WavReader::new(&wav[..]).unwrap();
    let spec = reader.spec();
    // The room of this tour is recorded at 16 kHz; no extract has more than 22.05 kHz.
    assert_eq!((spec.channels, spec.sample_rate, spec.bits_per_sample), (1, 16_000, 16));
    assert!(f64::from(reader.duration()) / 16_000.0 <= 6.0 && wav.len() < 280_000);
    assert!(!sounds.join("MP-1-module-1.wav").exists(), "only what departed");

    // A quiet tour, then one that leaves sixty concerns behind: never more than two pages a pump.
    let at = "--at '2024-05-05 05:50'";
    let quiet = dir.join("quiet");
    assert!(run(&book, &format!("handover {at} --out {}", quiet.display())).status.success());
    assert!((1..=4).contains(&pages_of(&quiet.join("handover.pdf"))));
    for k in 0..60 {
        let words = format!("hose {k} weeps at the clamp, ").repeat(1 + k % 7);
        assert!(run(&book, &format!("concern add '{words}' --pump MP-1 --at '2024-05-04 23:00'")).status.success());
    }
    let bad = dir.join("bad");
    assert!(run(&book, &format!("handover {at} --out {}", bad.display())).status.success());
    assert!((2..=4).contains(&pages_of(&bad.join("handover.pdf"))));
    let radio = std::fs::read_to_string(bad.join("handover.txt")).unwrap();
    assert_eq!(radio.matches("- No. ").count(), 62, "the text has every concern");
    let page = std::fs::read_to_string(bad.join("handover.html")).unwrap();
    assert!(page.contains("more in the book: open concerns (seatsong concern list)"));
}

#[test]
fn what_can_not_be_entered_is_refused_with_what_to_do() {
    let temporary = tempfile::tempdir().unwrap();
    let book = temporary.path().join("book");
    assert!(run(&book, "book new").status.success());
    assert!(run(&book, "pump add MP-1 --stroke 12in").status.success());
    for (line, code, says) in [
        ("reading add gauges pump='212'", 1, "212"),
        ("reading add gauges pump='212 C'", 1, "unit"),
        ("reading add gauges pump='2.1 bar'", 1, "--yes"),
        ("reading add gauges pump=''", 1, "nothing was entered"),
        ("reading add gauges nose='2 bar'", 2, "standpipe"),
        ("reading add smell look=ok", 2, "check sheet"),
        ("reading add gauges pump='212 bar' --at '2999-01-01 06:00'", 2, "future"),
        ("reading add rod-clamp-torque torque='400 Nm'", 2, "--module"),
        ("reading skip gauges ' '", 2, "reason"),
        ("part change 2 liner suction", 2, "no suction or discharge side"),
        ("part change 9 liner", 1, "module"),
        ("part hours 30 --from '2024-05-04 06:00' --to '2024-05-04 18:00'", 1, "clock ran 12.0 h"),
        ("work confirm 7 permit 1", 1, "work list"),
        ("concern close 3 'x'", 1, "concern list"),
        ("handover --amend 'x'", 1, "not signed"),
    ] {
        let ran = run(&book, line);
        let err = String::from_utf8_lossy(&ran.stderr).into_owned();
        assert_eq!(ran.status.code(), Some(code), "{line}: {err}");
        assert!(err.contains(says), "{line}: {err}");
        assert!(ran.stdout.is_empty(), "{line}");
    }
    let yes = run(&book, "reading add gauges pump='2.1 bar' --yes");
    assert!(yes.status.success(), "{}", String::from_utf8_lossy(&yes.stderr));
    assert!(run(&book, "work start 'module 2'").status.success());
    let opened = run(&book, "work open 1");
    assert_eq!(opened.status.code(), Some(1));
    assert!(String::from_utf8_lossy(&opened.stderr).contains("permit to work"));
    for line in [
        "due --json",
        "reading list --json",
        "part list --json",
        "part life --json",
        "work list --json",
        "concern list --json",
        "handover --json",
        "reading trend gauges pump --json",
    ] {
        let ran = run(&book, line);
        assert!(ran.status.success(), "{line}: {}", String::from_utf8_lossy(&ran.stderr));
        let document: serde_json::Value = serde_json::from_slice(&ran.stdout).unwrap();
        assert!(document["schema"].as_str().unwrap().starts_with("seatsong."), "{line}");
    }
    let figures = run(&temporary.path().join("none"), "pump figures --liner 6in --stroke 12in --spm 100 --json");
    assert!(figures.status.success(), "arithmetic needs no book");
}

/// Handbook (1800 psi at 60 are 450 psi at 30), drillingformulas.com, and the handbook's rule for mud weights.
#[test]
fn the_pressure_at_another_rate_and_mud_weight() {
    let nowhere = tempfile::tempdir().unwrap().path().join("none");
    let figures = |more: &str| run(&nowhere, &format!("pump figures --liner 6in --stroke 12in {more}"));
    for (more, psi) in [
        ("--spm 60 --pressure 1800psi --to-spm 30", 450.0),
        ("--spm 40 --pressure 2500psi --to-spm 25", 976.6),
        ("--pressure 3000psi --mud 10ppg --to-mud 12ppg", 3600.0),
    ] {
        let ran = figures(&format!("{more} --json"));
        let document: serde_json::Value = serde_json::from_slice(&ran.stdout).unwrap();
        let got = document["new_pressure_pa"].as_f64().unwrap() / 6894.757;
        assert!((got - psi).abs() < 0.05, "{more}: {got} psi");
    }
    let table = figures("--spm 60 --pressure 1800psi --to-spm 30 --mud 10ppg --to-mud 12ppg");
    let table = String::from_utf8_lossy(&table.stdout);
    assert!(table.contains("Pressure at 30 SPM with 12 ppg mud: 540 psi"), "{table}");
    for wrong in
        ["--to-spm 30", "--spm 60 --to-spm 30", "--pressure 1800psi --to-mud 12ppg", "--mud 10ppg --pressure 1bar"]
    {
        assert_eq!(figures(wrong).status.code(), Some(2), "{wrong}");
    }
}

#[test]
fn modules_that_a_check_missed_are_one_line_and_each_is_counted() {
    let temporary = tempfile::tempdir().unwrap();
    let book = temporary.path().join("book");
    for line in ["book new", "pump add MP-1 --stroke 12in --modules 3"] {
        assert!(run(&book, line).status.success(), "{line}");
    }
    let out = temporary.path().to_str().unwrap();
    let ran = run(&book, &format!("handover --tour '2024-05-04 12:00' --at '2024-05-04 18:00' --out {out}"));
    assert!(ran.status.success(), "{}", String::from_utf8_lossy(&ran.stderr));
    let note = std::fs::read_to_string(temporary.path().join("handover.txt")).unwrap();
    let note = note.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(note.contains("rod clamp torque, modules 1, 2 and 3"), "{note}");
    let missed: u32 = note.split(" checks made, ").nth(1).unwrap().split(' ').next().unwrap().parse().unwrap();
    // The sheet has twelve checks a pump and four a module.
    assert_eq!(missed, 12 + 3 * 4, "{note}");
}
