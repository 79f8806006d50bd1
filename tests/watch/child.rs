//! The program itself: JSON lines, the signal to end, the pulled plug.

use std::io::{BufRead as _, BufReader, Read as _};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use seatsong::inside::book::Book;
use seatsong::inside::sample::Fault;
use seatsong::inside::watch::wav24;
use serde_json::Value;

use crate::helper::{RATE_HZ, book, made};
use crate::ran::{command, seatsong};
use crate::server::server;

/// A file that plays as a device: healthy, then with a leak.
fn sound_file(dir: &Path, leak: bool) -> PathBuf {
    let made = made();
    let spec = made.spec(140.0, 380, 380);
    let channels = if leak {
        made.leaking_from(&spec, 30.0, 2, Fault::DischargeValve { level_db: 3.0 })
    } else {
        made.sound(&spec)
    };
    let slices: Vec<&[f32]> = channels.iter().map(Vec::as_slice).collect();
    let path = dir.join("played.wav");
    std::fs::write(&path, wav24(&slices, RATE_HZ)).unwrap();
    path
}

fn watching(dir: &Path, speed: &str, more: &[&str]) -> Command {
    let mut args =
        vec!["watch", "--map", "1=m1,2=m2,3=m3,4=pulse", "--device", "wav:played.wav", "--strokes", "20", "--json"];
    args.extend(more);
    let mut command = command(dir, &args);
    command.env("SEATSONG_WAV_SPEED", speed);
    command
}

#[test]
fn other_programs_read_one_document_a_line_and_a_webhook_hears_the_alarm() {
    let (dir, _) = book();
    sound_file(dir.path(), true);
    let (url, bodies) = server(&["204 No Content"]);
    let out = watching(dir.path(), "0", &["--webhook", &url]).output().unwrap();
    let err = String::from_utf8(out.stderr).unwrap();
    assert!(out.status.success() && err.contains("watch ended: "), "{err}");
    let documents: Vec<Value> =
        String::from_utf8(out.stdout).unwrap().lines().map(|l| serde_json::from_str(l).unwrap()).collect();
    let schemas: std::collections::BTreeSet<&str> = documents.iter().map(|d| d["schema"].as_str().unwrap()).collect();
    assert_eq!(
        schemas.into_iter().collect::<Vec<_>>(),
        ["seatsong.watch-event/1", "seatsong.watch-line/1", "seatsong.watch-summary/1"]
    );
    let alarm = documents.iter().find(|d| d["event"] == "alarm" && d["module"] == 2).unwrap();
    assert_eq!(alarm["verdict"]["module"], 2);
    assert!(documents[0]["event"] == "started" && documents[0]["false_alarms"]["independent"].as_f64().unwrap() > 0.0);
    let posted: Value = serde_json::from_str(&bodies.recv().unwrap()).unwrap();
    assert_eq!((&posted["schema"], &posted["event"]), (&alarm["schema"], &"alarm".into()));
    assert_eq!(
        documents.last().unwrap()["alarms"].as_u64().unwrap(),
        documents.iter().filter(|d| d["event"] == "alarm").count() as u64
    );
    seatsong(dir.path(), &["book", "check"]).ended(0);
    // The tables for other programs.
    seatsong(dir.path(), &["export", "tables", "--format", "csv"]).ended(0);
    let lines = std::fs::read_to_string(dir.path().join("tables/watch_lines.csv")).unwrap();
    assert_eq!(lines.lines().count() - 1, documents.iter().filter(|d| d["schema"] == "seatsong.watch-line/1").count());
}

#[test]
fn a_webhook_that_nobody_answers_never_holds_the_watch_up() {
    let (dir, _) = book();
    sound_file(dir.path(), true);
    let listener = std::net::TcpListener::bind("127.0.0.1:0").unwrap();
    let url = format!("http://{}/", listener.local_addr().unwrap());
    drop(listener);
    let start = Instant::now();
    let out = watching(dir.path(), "0", &["--webhook", &url]).output().unwrap();
    assert!(out.status.success());
    let text = String::from_utf8(out.stdout).unwrap();
    assert!(text.contains("\"event\":\"alarm\"") && text.contains("\"event\":\"webhook-failed\""), "{text}");
    assert!(start.elapsed() < Duration::from_secs(120));
}

#[test]
fn wrong_usage_and_wrong_maps_are_told() {
    let (dir, _) = book();
    sound_file(dir.path(), false);
    for (args, status, says) in [
        (vec!["watch", "--map", "1=x"], 2, "such as 1=m1"),
        (vec!["watch", "--map", "1=m1", "--alarm", "6/5"], 2, "like 3/5"),
        (vec!["watch", "--map", "1=m7", "--device", "wav:played.wav"], 1, "module"),
        (vec!["watch", "--map", "1=m1,9=m2", "--device", "wav:played.wav"], 1, "channel"),
        (vec!["watch", "--map", "1=m1", "--device", "wav:nothing.wav"], 1, "nothing.wav"),
        (vec!["watch", "--map", "1=m1", "--device", "wav:played.wav", "--webhook", "nowhere"], 1, "no web address"),
    ] {
        seatsong(dir.path(), &args).ended(status).says(says);
    }
}

/// The first line with this in it.
fn wait_for(child: &mut Child, text: &str) -> BufReader<std::process::ChildStdout> {
    let mut lines = BufReader::new(child.stdout.take().unwrap());
    let mut line = String::new();
    while !line.contains(text) {
        line.clear();
        assert!(lines.read_line(&mut line).unwrap() > 0, "it ended before it told \"{text}\"");
    }
    lines
}

#[cfg(unix)]
#[test]
fn the_signals_to_end_end_it_in_order() {
    for signal in ["INT", "TERM"] {
        let (dir, _) = book();
        sound_file(dir.path(), false);
        let mut child = watching(dir.path(), "4", &[]).stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().unwrap();
        let mut rest = wait_for(&mut child, "watch-line");
        let kill = Command::new("kill").args([&format!("-{signal}"), &child.id().to_string()]).status().unwrap();
        assert!(kill.success());
        let mut text = String::new();
        rest.read_to_string(&mut text).unwrap();
        let status = child.wait().unwrap();
        let mut err = String::new();
        child.stderr.take().unwrap().read_to_string(&mut err).unwrap();
        assert_eq!(status.code(), Some(0), "{signal}: {err}");
        assert!(text.contains("\"event\":\"ended\"") && err.contains("watch ended: "), "{signal}: {text} {err}");
    }
}

#[test]
fn a_watch_killed_at_any_moment_leaves_a_whole_book_and_goes_on() {
    let (dir, place) = book();
    sound_file(dir.path(), true);
    // Little room on disk, so that rounds are removed as well while it is killed.
    let start = Instant::now();
    let full = watching(dir.path(), "0", &["--keep-mb", "10"]).output().unwrap();
    assert!(full.status.success());
    let mut usual = start.elapsed();
    let mut killed = 0;
    for k in 0..60_u32 {
        let mut child = watching(dir.path(), "0", &["--keep-mb", "10"])
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        // Spread over the whole run. One that was faster, since the machine has less to do now, tells how long a run is.
        let start = Instant::now();
        let moment = usual.mul_f64(f64::from(k * 5 % 12) / 11.0);
        while start.elapsed() < moment && child.try_wait().unwrap().is_none() {
            std::thread::sleep(Duration::from_millis(1));
        }
        let took = start.elapsed();
        let _ = child.kill();
        if child.wait().unwrap().code().is_none() {
            killed += 1;
        } else {
            usual = usual.min(took);
        }
        let mut text = String::new();
        child.stdout.take().unwrap().read_to_string(&mut text).unwrap();
        let report = Book::open(&place).unwrap().check(&|| ()).unwrap();
        assert_eq!(report.faults, [], "kill {k}");
        // What was told was entered before.
        let told = text.lines().filter(|l| l.contains("watch-line/1")).count();
        let lines: i64 = Book::open(&place)
            .unwrap()
            .connection()
            .query_row("SELECT count(*) FROM watch_line", [], |r| r.get(0))
            .unwrap();
        assert!(lines >= i64::try_from(told).unwrap());
        if killed == 12 {
            break;
        }
    }
    assert_eq!(killed, 12);
    assert!(watching(dir.path(), "0", &["--keep-mb", "10"]).output().unwrap().status.success());
    let book = Book::open(&place).unwrap();
    assert!(book.open_round(&book.pump("MP-1").unwrap()).unwrap().is_none());
    let report = book.check(&|| ()).unwrap();
    assert!(report.faults.is_empty() && report.notes.is_empty(), "{report:?}");
}
