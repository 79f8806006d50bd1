use super::helper::{room, seatsong};

#[test]
fn the_help_of_the_program() {
    insta::assert_snapshot!(seatsong(room(), &["--help"]).ended(0).out);
}

#[test]
fn the_help_of_compare() {
    insta::assert_snapshot!(seatsong(room(), &["compare", "--help"]).ended(0).out);
}

#[test]
fn every_command_has_help_with_an_example() {
    for command in [
        "demo", "compare", "look", "hear", "sample", "devices", "book", "pump", "spot", "round", "import", "baseline",
        "verdict", "export", "due", "reading", "part", "work", "concern", "handover", "trend", "page",
    ] {
        seatsong(room(), &[command, "--help"]).ended(0).tells("Example").tells(&format!("seatsong {command}"));
    }
}
