//! Numbers as people type them: one rule at every option, and another for files of numbers.

use super::helper::{Folder, compare, good, room, seatsong};

/// A folder with a book and one pump in it.
fn with_pump() -> Folder {
    let here = Folder::new();
    seatsong(here.path(), &["book", "new"]).ended(0);
    seatsong(here.path(), &["pump", "add", "MP-1", "--stroke", "12in"]).ended(0);
    here
}

#[test]
fn three_digits_behind_one_mark_are_asked_about_and_nothing_is_entered() {
    let here = with_pump();
    let hours = |text: &str| {
        let args = ["part", "hours", text, "--from", "2026-11-01 06:00", "--to", "2026-11-01 18:00"];
        seatsong(here.path(), &args)
    };
    hours("1,250").ended(2).says("1250 or as 1.25");
    hours("2.600").ended(2).says("2600 or as 2.6");
    for text in ["0x10", "1e400", "nan", "inf", "١٢", "1,2,3", "1,", "-1", "12 50"] {
        hours(text).ended(2);
    }
    hours("1'250 h").ended(1).says("clock ran 12.0 h");
    hours("2,6 h").ended(0).tells("2.6 h");
}

#[test]
fn the_rule_is_the_same_at_every_option() {
    let here = with_pump();
    for (args, says) in [
        (vec!["round", "start", "--pressure", "2,600psi"], "2600 psi or as 2.6 psi"),
        (vec!["round", "start", "--mud", "1.250 sg"], "1250 sg or as 1.25 sg"),
        (vec!["pump", "set", "MP-1", "--gear", "4.312"], "4312 or as 4.3120"),
        (vec!["pump", "set", "MP-1", "--rod-load", "120.000 lbf"], "120000 lbf or as 120 lbf"),
        (vec!["pump", "figures", "--liner", "6in", "--stroke", "12in", "--spm", "nan"], "nan"),
        (vec!["pump", "figures", "--liner", "6in", "--stroke", "12in", "--rod-ratio", "5.125"], "5125 or as 5.1250"),
        (vec!["listen", "--band", "3.200-11.000", "--arc", "20-185"], "3200 or as 3.2"),
        (vec!["look", "a.wav", "--rate", "44.100"], "44100 or as 44.1"),
        (vec!["watch", "--map", "1=m1", "--pressure", "2,600psi"], "2600 psi or as 2.6 psi"),
    ] {
        seatsong(here.path(), &args).ended(2).says(says);
    }
    // What no console shows is no reading of the text: 72125 strokes a minute.
    let args = ["round", "start", "--spm", "72,125", "--pressure", "2 600 psi"];
    seatsong(here.path(), &args).ended(0).tells("72.125").tells("2600 psi");
}

#[test]
fn a_pressure_without_its_unit_is_asked_for() {
    compare(&good(1), &["--now", "well/m1.wav", "--pressure", "2600"]).ended(2).says("2600 psi or 2600 bar");
    let list = room().join("bare.csv");
    std::fs::write(&list, "file,role,pressure\nround-01/m1.wav,good,200\n").unwrap();
    seatsong(room(), &["compare", "--list", "bare.csv"]).ended(1).says("line 2").says("200 psi or 200 bar");
}

#[test]
fn what_is_wrong_with_a_reading_is_said_once() {
    let here = with_pump();
    let ran = seatsong(here.path(), &["reading", "add", "gauges", "pump=179"]).says("179 psi or 179 bar");
    assert_eq!(ran.err.matches("has no unit").count(), 1, "{ran}");
    let ran = seatsong(here.path(), &["reading", "add", "gauges", "pump=2,600psi"]).says("2600 psi or as 2.6 psi");
    assert_eq!(ran.err.matches("can be read as").count(), 1, "{ran}");
}

#[test]
fn a_comma_in_a_file_of_numbers_is_refused_with_its_line() {
    let here = Folder::new();
    for (name, text, says) in [
        ("unit.csv", "file,role,pressure\na.wav,good,\"2,600psi\"\n", "line 2: \"2,600psi\" can be read as 2600 psi"),
        ("spm.csv", "file;role;spm\na.wav;good;72.5\nb.wav;now;71,5\n", "line 3: spm: \"71,5\" has a comma"),
        ("split.csv", "file,role,spm\na.wav,good,72,5\n", "line 2: has 4 cells"),
    ] {
        let list = here.write(name, text);
        seatsong(here.path(), &["compare", "--list", &list]).ended(1).says(says);
    }
    let taps = here.write("taps.txt", "0.5\n1,25\n");
    let args = ["--now", "well/m1.wav", "--taps", &taps];
    compare(&good(1), &args).ended(1).says("line 2").says("has a comma");
    let rows: String = (0..3000).map(|i| format!("0,{:04};0,{:04}\n", i, i % 7)).collect();
    let table = here.write("acc.csv", format!("time;x\n{rows}"));
    seatsong(here.path(), &["look", &table]).ended(1).says("line 2").says("has a comma").says("decimal point");
}
