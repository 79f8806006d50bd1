//! The listening page in a real browser: headless Chromium, the real program, a real book.
//!
//! `SEATSONG_BROWSER=1 SEATSONG_AXE=/path/to/axe.min.js cargo test --test browser [NAME]` runs all; it needs `chromium` and `chromedriver`
//! (Debian: chromium, chromium-driver) and axe-core's `axe.min.js` (npm). Without `SEATSONG_BROWSER` only the tests that need no browser
//! run, and the others are named as not run. `SEATSONG_LOOK=FOLDER` keeps a screenshot of every view there.
//!
//! This is a runner of its own because the usual one hides what a passing test says: that a test did not run has to be seen.

#![expect(clippy::unwrap_used, clippy::print_stdout, reason = "tests, and a runner that has to speak")]

mod assets;
#[path = "../common/copy.rs"]
mod copy;
mod photo;
#[path = "../common/ran.rs"]
#[expect(dead_code, reason = "says and tells are for the other test programs")]
mod ran;
mod rig;
mod round;
mod share;
mod views;

use std::process::ExitCode;
use std::time::Instant;

/// A test and its name.
type Test = (&'static str, fn());

const ALWAYS: &[Test] = &[
    ("all_texts_stand_in_one_file", assets::all_texts_stand_in_one_file),
    ("the_page_weighs_less_than_300_kb", assets::the_page_weighs_less_than_300_kb),
    ("no_file_names_another_host", assets::no_file_names_another_host),
    ("every_file_is_kept_for_use_without_a_connection", assets::every_file_is_kept_for_use_without_a_connection),
];

const IN_A_BROWSER: &[Test] = &[
    ("a_whole_round_ends_with_the_verdict_of_the_command", round::a_whole_round_ends_with_the_verdict_of_the_command),
    ("an_upload_cut_at_37_per_cent_is_resumed", round::an_upload_cut_at_37_per_cent_is_resumed),
    ("a_round_walked_without_a_connection_is_synchronised", round::a_round_walked_without_a_connection_is_synchronised),
    ("two_phones_walk_one_round", share::two_phones_walk_one_round),
    ("a_phone_is_paired_by_its_code", share::a_phone_is_paired_by_its_code),
    (
        "pairing_shuts_nobody_out_and_a_paired_phone_needs_no_connection",
        share::pairing_shuts_nobody_out_and_a_paired_phone_needs_no_connection,
    ),
    ("a_tour_is_entered_and_signed", share::a_tour_is_entered_and_signed),
    ("photos_are_taken_without_a_connection", photo::photos_are_taken_without_a_connection),
    ("running_hours_are_entered", photo::running_hours_are_entered),
    ("no_view_has_a_serious_problem", views::no_view_has_a_serious_problem),
    ("the_first_view_is_there_within_a_second", views::the_first_view_is_there_within_a_second),
    ("the_stroke_map_is_read_with_keys", views::the_stroke_map_is_read_with_keys),
];

fn main() -> ExitCode {
    let args: Vec<String> = std::env::args().skip(1).collect();
    let wanted = |name: &str| args.iter().filter(|a| !a.starts_with('-')).all(|a| name.contains(a.as_str()));
    if args.iter().any(|a| a == "--list") {
        for (name, _) in ALWAYS.iter().chain(IN_A_BROWSER) {
            println!("{name}: test");
        }
        return ExitCode::SUCCESS;
    }
    let browser = std::env::var_os("SEATSONG_BROWSER").is_some_and(|v| !v.is_empty() && v != "0");
    let mut tests: Vec<Test> = ALWAYS.to_vec();
    let mut ignored = 0;
    if browser {
        tests.extend(IN_A_BROWSER);
    } else {
        for (name, _) in IN_A_BROWSER.iter().filter(|(n, _)| wanted(n)) {
            println!("test {name} ... NOT RUN, needs SEATSONG_BROWSER=1 with Chromium");
            ignored += 1;
        }
    }
    tests.retain(|(n, _)| wanted(n));
    let mut failed = Vec::new();
    for (name, test) in &tests {
        let start = Instant::now();
        let fine = std::thread::spawn(*test).join().is_ok();
        println!("test {name} ... {} ({:.1} s)", if fine { "ok" } else { "FAILED" }, start.elapsed().as_secs_f64());
        if !fine {
            failed.push(*name);
        }
    }
    let (n, bad) = (tests.len(), failed.len());
    println!(
        "\ntest result: {}. {} passed; {bad} failed; {ignored} ignored",
        if bad == 0 { "ok" } else { "FAILED" },
        n - bad
    );
    for name in &failed {
        println!("    {name}");
    }
    if failed.is_empty() { ExitCode::SUCCESS } else { ExitCode::FAILURE }
}
