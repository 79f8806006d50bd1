use std::io::Write as _;
use std::time::{Duration, Instant};

use seatsong::inside::page::Limits;
use serde_json::json;

use crate::helper::{Page, Phone, key, seatsong, sum, tiny_wav, today, with_book};

fn have(phone: &Phone, id: &str) -> usize {
    usize::try_from(phone.get(&format!("/api/uploads/{id}")).ok(200)["have"].as_u64().unwrap()).unwrap()
}

/// Sends the first bytes of a piece and then loses the network.
fn cut_off(page: &Page, phone: &Phone, id: &str, piece: &[u8], sent: usize) {
    let head = format!(
        "PUT /api/uploads/{id}?from=0 HTTP/1.1\r\nHost: {a}\r\nOrigin: http://{a}\r\nX-Seatsong-Token: {}\r\nContent-Length: {}\r\n\r\n",
        phone.token,
        piece.len(),
        a = page.address()
    );
    let mut stream = page.raw(head.as_bytes());
    stream.write_all(&piece[..sent]).unwrap();
    let end = Instant::now() + Duration::from_secs(20);
    while have(phone, id) < sent {
        assert!(Instant::now() < end, "{} of {sent}", have(phone, id));
        std::thread::sleep(Duration::from_millis(20));
    }
    drop(stream);
}

#[test]
fn an_upload_that_is_cut_at_37_per_cent_goes_on_from_there_also_over_a_restart() {
    let dir = with_book();
    let book = dir.path().join("book");
    let page = Page::of(&book);
    let phone = page.phone();
    let round = phone.round();
    let bytes = today(2);
    let wish = Phone::wish(round, 2, &bytes);
    let begun = phone.post("/api/uploads", &wish).ok(200);
    let id = begun["upload"].as_str().unwrap().to_owned();
    assert_eq!((id.len(), &begun["have"]), (32, &0.into()));
    let sent = bytes.len() * 37 / 100;
    cut_off(&page, &phone, &id, &bytes, sent);
    page.stop();

    let page = Page::of(&book);
    let phone = page.phone();
    let again = phone.post("/api/uploads", &wish).ok(200);
    assert_eq!((&again["upload"], &again["have"]), (&id.as_str().into(), &sent.into()));
    let short = phone.post(&format!("/api/uploads/{id}/done"), &json!({})).ok(409);
    assert_eq!(short["have"], sent);
    let early = phone.put(&format!("/api/uploads/{id}?from=0"), &bytes[..10]).ok(409);
    assert_eq!(early["have"], sent);
    phone.put(&format!("/api/uploads/{id}?from={sent}"), &bytes[sent..]).was(200);
    let clip = phone.post(&format!("/api/uploads/{id}/done"), &json!({})).ok(200)["clip"].clone();
    assert_eq!(clip["sha256"], sum(&bytes));
    assert_eq!(std::fs::read(book.join(clip["file"].as_str().unwrap())).unwrap(), bytes);
    assert_eq!(phone.post("/api/uploads", &wish).ok(200)["clip"], clip, "asked again");
    assert_eq!(phone.post(&format!("/api/uploads/{id}/done"), &json!({})).ok(200)["clip"], clip);
    assert_eq!(std::fs::read_dir(book.join("incoming")).unwrap().count(), 0);
    page.check_is_whole();
}

#[test]
fn what_is_no_recording_too_large_or_damaged_is_not_entered() {
    let dir = with_book();
    let page = Page::of(&dir.path().join("book"));
    let phone = page.phone();
    let round = phone.round();
    let before = page.holds();
    let begin = |bytes: &[u8]| {
        let begun = phone.post("/api/uploads", &Phone::wish(round, 1, bytes)).ok(200);
        begun["upload"].as_str().unwrap().to_owned()
    };
    for other in [
        &b"<html><script>alert(1)</script></html>"[..],
        b"%PDF-1.7\n%\xe2\xe3\xcf\xd3 and so on",
        b"\x7fELF\x02\x01\x01\0\0\0\0\0\0\0\0\0",
        b"#!/bin/sh\nrm -rf /\n",
    ] {
        let id = begin(other);
        phone.put(&format!("/api/uploads/{id}?from=0"), other).was(415);
        phone.get(&format!("/api/uploads/{id}")).was(404);
        // In small pieces it is noticed too, at the end at the latest.
        let id = begin(other);
        let first = phone.put(&format!("/api/uploads/{id}?from=0"), &other[..4]);
        if first.status == 200 {
            phone.put(&format!("/api/uploads/{id}?from=4"), &other[4..]).was(200);
            phone.post(&format!("/api/uploads/{id}/done"), &json!({})).was(415);
        } else {
            first.was(415);
        }
    }
    let wav = tiny_wav(1);
    let mut wish = Phone::wish(round, 1, &wav);
    for (field, value, status) in [
        ("bytes", json!(300_000_000), 413),
        ("bytes", json!(i64::MAX), 413),
        ("bytes", json!(0), 422),
        ("bytes", json!(-5), 422),
        ("bytes", json!(1e300), 400),
        ("sha256", json!("../../../../etc/passwd"), 422),
        ("sha256", json!("Z".repeat(64)), 422),
        ("module", json!(9), 422),
        ("module", json!(-1), 400),
        ("spot", json!("../../book.db"), 404),
        ("round", json!(99), 404),
        ("key", json!("../../../x"), 422),
        ("taken_at", json!("noon"), 422),
        ("taps_s", json!([2.0, 1.0]), 422),
        ("taps_s", json!([-1.0]), 422),
    ] {
        let kept = wish[field].take();
        wish[field] = value;
        phone.post("/api/uploads", &wish).was(status);
        wish[field] = kept;
    }
    let id = begin(&wav);
    let path = format!("/api/uploads/{id}?from=0");
    let head = format!(
        "PUT {path} HTTP/1.1\r\nHost: {a}\r\nOrigin: http://{a}\r\nX-Seatsong-Token: {}\r\nContent-Length: 1048577\r\nConnection: close\r\n\r\n",
        phone.token,
        a = page.address()
    );
    let large = page.answer(head.as_bytes());
    assert!(large.starts_with("HTTP/1.1 413"), "{large}");
    phone.put(&path, &[wav.as_slice(), b"more"].concat()).was(422);
    let held = usize::try_from(phone.get(&format!("/api/uploads/{id}")).ok(200)["have"].as_u64().unwrap()).unwrap();
    let mut wrong = wav.clone();
    *wrong.last_mut().unwrap() ^= 1;
    if held < wrong.len() {
        phone.put(&format!("/api/uploads/{id}?from={held}"), &wrong[held..]).was(200);
    }
    assert_eq!(phone.post(&format!("/api/uploads/{id}/done"), &json!({})).ok(422)["have"], 0);
    let now = page.holds();
    assert_eq!((now.clips, now.rounds), (before.clips, before.rounds), "nothing was entered");
    phone.put(&path, &wav).was(200);
    phone.post(&format!("/api/uploads/{id}/done"), &json!({})).was(200);
    // The same sound for another spot is the one that is there.
    let mut again = Phone::wish(round, 3, &wav);
    again["key"] = json!(key());
    let id = phone.post("/api/uploads", &again).ok(200)["upload"].as_str().unwrap().to_owned();
    phone.put(&format!("/api/uploads/{id}?from=0"), &wav).was(200);
    let done = phone.post(&format!("/api/uploads/{id}/done"), &json!({})).ok(200);
    assert_eq!((&done["known"], &done["clip"]["module"]), (&true.into(), &1.into()));
    assert_eq!(page.holds().clips, before.clips + 1);
    page.check_is_whole();
}

#[test]
fn a_slow_upload_is_cut_off_and_what_came_is_kept() {
    let dir = with_book();
    let limits = Limits { body_pause: Duration::from_millis(300), ..Limits::default() };
    let page = Page::with(&dir.path().join("book"), limits, false);
    let phone = page.phone();
    let round = phone.round();
    let wav = tiny_wav(2);
    let id = phone.post("/api/uploads", &Phone::wish(round, 1, &wav)).ok(200)["upload"].as_str().unwrap().to_owned();
    let head = format!(
        "PUT /api/uploads/{id}?from=0 HTTP/1.1\r\nHost: {a}\r\nOrigin: http://{a}\r\nX-Seatsong-Token: {}\r\nContent-Length: {}\r\nConnection: close\r\n\r\n",
        phone.token,
        wav.len(),
        a = page.address()
    );
    let begun = Instant::now();
    let answer = page.answer(&[head.as_bytes(), &wav[..500]].concat());
    assert!(answer.starts_with("HTTP/1.1 503"), "{answer}");
    assert!(begun.elapsed() < Duration::from_secs(5));
    assert_eq!(have(&phone, &id), 500);
    phone.put(&format!("/api/uploads/{id}?from=500"), &wav[500..]).was(200);
    phone.post(&format!("/api/uploads/{id}/done"), &json!({})).was(200);
}

#[test]
fn a_head_that_never_ends_is_cut_off() {
    let dir = with_book();
    let limits = Limits { head_time: Duration::from_millis(400), ..Limits::default() };
    let page = Page::with(&dir.path().join("book"), limits, false);
    let begun = Instant::now();
    page.answer(b"GET / HTTP/1.1\r\nHost: ");
    assert!(begun.elapsed() < Duration::from_secs(5), "{:?}", begun.elapsed());
    let long = format!("GET / HTTP/1.1\r\nX: {}\r\n", "x".repeat(100_000));
    let answer = page.answer(long.as_bytes());
    assert!(answer.is_empty() || answer.starts_with("HTTP/1.1 431"), "{answer}");
    assert_eq!(page.phone().get("/").status, 200);
}

#[test]
fn two_hundred_uploads_at_once_are_all_entered_and_whole() {
    let dir = with_book();
    let page = Page::of(&dir.path().join("book"));
    let phone = page.phone();
    let round = phone.round();
    let before = page.holds().clips;
    std::thread::scope(|s| {
        for k in 0..200 {
            let phone = phone.clone();
            s.spawn(move || {
                let wav = tiny_wav(1000 + k);
                let clip = phone.upload(round, 1 + k % 3, &wav, 2500);
                assert_eq!(clip["sha256"], sum(&wav));
            });
        }
    });
    assert_eq!(page.holds().clips, before + 200);
    assert_eq!(std::fs::read_dir(page.book.join("incoming")).unwrap().count(), 0);
    page.check_is_whole();
}

#[test]
fn more_uploads_than_there_is_room_for_have_to_wait() {
    let dir = with_book();
    let limits = Limits { uploads: 3, upload_bytes: 50_000, ..Limits::default() };
    let page = Page::with(&dir.path().join("book"), limits, false);
    let phone = page.phone();
    let round = phone.round();
    let begin = |seed: u32| phone.post("/api/uploads", &Phone::wish(round, 1, &tiny_wav(seed)));
    for seed in 0..3 {
        begin(seed).was(200);
    }
    let full = begin(3).was(503);
    assert!(full.header("retry-after").is_some() && full.json()["wait_s"].as_u64().unwrap() > 0);
    let mut large = Phone::wish(round, 1, &tiny_wav(9));
    large["bytes"] = json!(60_000);
    phone.post("/api/uploads", &large).was(503);
    seatsong(dir.path(), &["book", "check"]).ended(0).tells("The book is whole");
}
