use std::path::{Path, PathBuf};

use serde_json::{Value, json};

use crate::helper::{Got, Page, Phone, key, seatsong, sum, with_book};
use crate::pairing::{lan, next_codes, paired};

const SIDES: (u16, u16) = (900, 600);

fn jpeg(shade: u8) -> Vec<u8> {
    let mut out = Vec::new();
    let pixels = vec![shade; usize::from(SIDES.0) * usize::from(SIDES.1) * 3];
    let encoder = jpeg_encoder::Encoder::new(&mut out, 80);
    encoder.encode(&pixels, SIDES.0, SIDES.1, jpeg_encoder::ColorType::Rgb).unwrap();
    out
}

fn png() -> Vec<u8> {
    let mut out = Vec::new();
    let mut encoder = png::Encoder::new(&mut out, 90, 60);
    encoder.set_color(png::ColorType::Rgb);
    encoder.write_header().unwrap().write_image_data(&[120; 90 * 60 * 3]).unwrap();
    out
}

fn webp() -> Vec<u8> {
    let mut out = Vec::new();
    let pixels = [77; 90 * 60 * 3];
    image_webp::WebPEncoder::new(&mut out).encode(&pixels, 90, 60, image_webp::ColorType::Rgb8).unwrap();
    out
}

fn put(phone: &Phone, name: &str, bytes: &[u8]) -> Got {
    phone.put(&format!("/api/photos/{name}"), bytes)
}

/// Sends a photo; its checksum.
fn sent(phone: &Phone, bytes: &[u8]) -> String {
    let sum = sum(bytes);
    put(phone, &sum, bytes).was(201);
    sum
}

fn files(dir: &Path) -> Vec<PathBuf> {
    let Ok(entries) = std::fs::read_dir(dir) else { return Vec::new() };
    let paths = entries.map(|e| e.unwrap().path());
    paths.flat_map(|p| if p.is_dir() { files(&p) } else { vec![p] }).collect()
}

fn part(more: &Value) -> Value {
    let mut out =
        json!({"key": key(), "pump": "MP-1", "module": 2, "kind": "seat", "side": "discharge", "by": "mechanic"});
    out.as_object_mut().unwrap().extend(more.as_object().unwrap().clone());
    out
}

fn check(photo: &Value) -> Value {
    json!({"key": key(), "check": "valves", "pump": "MP-1", "module": 2, "answer": {"look": "ok", "photo": photo}})
}

#[test]
fn photos_of_a_part_and_a_check_are_kept_shown_small_and_stand_in_the_note() {
    let dir = with_book();
    let page = Page::of(&dir.path().join("book"));
    let phone = page.phone();
    let (seat, screen, cap) = (jpeg(90), png(), webp());
    phone.post("/api/parts", &part(&json!({}))).was(201);
    let sums = [&seat, &screen, &cap].map(|bytes| sent(&phone, bytes));
    let again = put(&phone, &sums[0], &seat).ok(200);
    assert_eq!((&again["known"], &again["photo"]["sha256"]), (&true.into(), &sums[0].as_str().into()));
    assert_eq!(again["photo"]["original"], "page.jpg", "the phone's own name never comes here");

    let change = part(&json!({"why": "washed", "condition": "cut at 4 o'clock", "photo": sums[0]}));
    phone.post("/api/parts", &change).was(201);
    phone.post("/api/parts", &change).was(200);
    let first = part(&json!({"module": 1, "photo": sums[2]}));
    let refused = phone.post("/api/parts", &first).was(422);
    assert!(refused.text().contains("say why it came out"), "{}", refused.text());
    phone.post("/api/checks", &check(&json!(sums[1]))).was(201);
    phone.post("/api/checks", &check(&json!(sums[2]))).was(201);

    let kept = files(&page.book.join("photos"));
    assert_eq!(kept.len(), 3);
    for bytes in [&seat, &screen, &cap] {
        assert!(kept.iter().any(|p| std::fs::read(p).unwrap() == *bytes), "byte for byte");
    }
    let parts = phone.get("/api/parts?pump=MP-1").ok(200);
    let out = &parts["gone"][0];
    assert_eq!((&out["photo_sha256"], &out["why"]), (&sums[0].as_str().into(), &"washed".into()), "{parts}");
    let due = phone.get("/api/due").ok(200);
    let asks = due["checks"]
        .as_array()
        .unwrap()
        .iter()
        .find(|c| c["check"] == "valves" && c["target"]["module"] == 2)
        .unwrap();
    let ask = asks["asks"].as_array().unwrap().iter().find(|a| a["kind"] == "photo").unwrap();
    assert_eq!(ask["last"]["photo"], sums[2].as_str(), "the newest: {ask}");

    let small = phone.get(&format!("/api/photos/{}", sums[0])).was(200);
    assert_eq!(small.header("content-type"), Some("image/jpeg"));
    assert!(small.header("cache-control").unwrap().contains("private"));
    assert!(small.body.starts_with(b"\xff\xd8\xff") && small.body != seat, "a small one");
    phone.get(&format!("/api/photos/{}", "0".repeat(64))).was(404);

    let note = phone.get("/handover.html").was(200).text();
    assert_eq!(note.matches("data:image/jpeg;base64,").count(), 3, "all three stand in the note");
    assert!(note.contains("cut at 4 o&#39;clock") || note.contains("cut at 4 o'clock"));
    page.check_is_whole();
    // One that got lost is whole again when it is sent again.
    std::fs::remove_file(page.book.join(again["photo"]["file"].as_str().unwrap())).unwrap();
    phone.get(&format!("/api/photos/{}", sums[0])).was(404);
    sent(&phone, &seat);
    page.check_is_whole();
}

#[test]
fn what_is_no_photo_too_large_or_damaged_is_not_kept() {
    let dir = with_book();
    let page = Page::of(&dir.path().join("book"));
    let phone = page.phone();
    let whole = jpeg(40);
    for other in [
        &b""[..],
        b"\xff\xd8\xff",
        b"<html><script>alert(1)</script></html>",
        b"%PDF-1.7\n%\xe2\xe3\xcf\xd3 and so on",
        b"GIF89a\x01\0\x01\0\x80\0\0\xff\xff\xff\0\0\0,\0\0\0\0\x01\0\x01\0\0\x02\x02D\x01\0;",
        b"\x7fELF\x02\x01\x01\0\0\0\0\0\0\0\0\0",
        b"RIFF\x24\0\0\0WAVEfmt \x10\0\0\0\x01\0\x01\0\x40\x1f\0\0\x80\x3e\0\0\x02\0\x10\0data\0\0\0\0",
        b"<svg xmlns=\"http://www.w3.org/2000/svg\" onload=\"alert(1)\"/>",
        // Half a picture, and one whose first bytes alone are right.
        &png()[..40],
        &[&whole[..3], b"<script>alert(1)</script>"].concat(),
        &[&webp()[..12], b"<script>alert(1)</script>"].concat(),
    ] {
        let got = put(&phone, &sum(other), other).was(415);
        assert!(got.json()["error"].as_str().unwrap().contains("no photo"), "{}", got.text());
    }
    let large = [whole.as_slice(), &vec![0; 8 << 20]].concat();
    put(&phone, &sum(&large), &large).was(413);
    put(&phone, &sum(b"other bytes"), &whole).was(422);
    assert_eq!(files(&page.book.join("photos")), Vec::<PathBuf>::new());
    assert_eq!(files(&page.book.join("incoming")), Vec::<PathBuf>::new());
    page.check_is_whole();
}

#[test]
fn no_name_or_path_of_the_phone_leads_anywhere() {
    let dir = with_book();
    let page = Page::of(&dir.path().join("book"));
    let phone = page.phone();
    let (secret, bytes) = (dir.path().join("seat.jpg"), jpeg(9));
    std::fs::write(&secret, jpeg(10)).unwrap();
    let sums = sum(&bytes);
    for name in [
        "..%2f..%2fevil.jpg",
        "%2fetc%2fpasswd",
        "..%5c..%5cevil.jpg",
        "evil.jpg",
        "%00",
        &sums.to_uppercase(),
        &sums[1..],
        &format!("{sums}.jpg"),
        &format!("..%2f{sums}"),
    ] {
        put(&phone, name, &bytes).was(404);
        phone.get(&format!("/api/photos/{name}")).was(404);
    }
    phone.post("/api/parts", &part(&json!({}))).was(201);
    let paths = [
        secret.to_str().unwrap(),
        "/etc/passwd",
        "../seat.jpg",
        "seat.jpg",
        "photos/../../seat.jpg",
        "file:///etc/passwd",
        "book.db",
        // Right as a checksum, but nothing was sent.
        &sums,
    ];
    for path in paths {
        let got = phone.post("/api/checks", &check(&json!(path))).was(422);
        assert!(got.text().contains("not in the book"), "{path}: {}", got.text());
        phone.post("/api/parts", &part(&json!({"why": "worn", "photo": path}))).was(422);
    }
    phone.post("/api/checks", &check(&json!({"file": "x"}))).was(422);
    assert_eq!(files(&page.book.join("photos")), Vec::<PathBuf>::new(), "no file of the laptop came in");
    assert!(!dir.path().join("evil.jpg").exists() && files(dir.path()).iter().all(|p| !p.ends_with("evil.jpg")));
    let entries = seatsong(dir.path(), &["reading", "list", "--json"]).ended(0).json();
    assert_eq!(entries["entries"], json!([]));
    page.check_is_whole();
}

#[test]
fn only_the_crew_from_our_own_page_may_send_a_photo() {
    let dir = with_book();
    let page = lan(dir.path());
    let bytes = jpeg(30);
    let path = format!("/api/photos/{}", sum(&bytes));
    let stranger = page.phone();
    stranger.put(&path, &bytes).was(401);
    stranger.get(&path).was(401);
    let codes = page.running().codes.clone().unwrap();
    let crew = paired(&page, &codes.crew);
    let reader = paired(&page, &next_codes(&page).reader);
    let refused = reader.put(&path, &bytes).was(403);
    assert!(refused.json()["error"].as_str().unwrap().contains("read only"), "{}", refused.text());
    for headers in [
        vec![("origin", crew.url.as_str())],
        vec![("x-seatsong-token", crew.token.as_str())],
        vec![("origin", "https://foreign.example"), ("x-seatsong-token", crew.token.as_str())],
        vec![("origin", crew.url.as_str()), ("x-seatsong-token", reader.token.as_str())],
    ] {
        assert_eq!(crew.send("PUT", &path, &headers, &bytes).unwrap().status, 403, "{headers:?}");
    }
    assert_eq!(files(&page.book.join("photos")), Vec::<PathBuf>::new());
    crew.put(&path, &bytes).was(201);
    reader.get(&path).was(200);
}
