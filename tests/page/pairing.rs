use serde_json::{Value, json};

use crate::forge::ENTRIES;
use crate::helper::{Got, Page, Phone, key, tiny_wav, with_book};
use seatsong::inside::page::{Codes, Limits, Notice};

pub(crate) fn lan(dir: &std::path::Path) -> Page {
    Page::with(&dir.join("book"), Limits::default(), true)
}

fn try_code(phone: &Phone, code: &str) -> Got {
    let headers = [("origin", phone.url.as_str()), ("content-type", "application/json")];
    phone.send("POST", "/api/pair", &headers, json!({"code": code}).to_string().as_bytes()).unwrap()
}

pub(crate) fn paired(page: &Page, code: &str) -> Phone {
    let mut phone = page.phone();
    let got = try_code(&phone, code).was(200);
    let cookie = got.header("set-cookie").unwrap().to_owned();
    for flag in ["; Secure", "; HttpOnly", "; SameSite=Strict", "; Path=/", "seatsong="] {
        assert!(cookie.contains(flag), "{cookie}");
    }
    let (own, _) = cookie.split_once(';').unwrap();
    // 256 random bits.
    assert_eq!(own.len(), "seatsong=".len() + 43, "{cookie}");
    phone.cookie = Some(own.to_owned());
    assert_eq!(phone.me()["token"], got.json()["token"]);
    phone
}

/// The codes that were told last.
pub(crate) fn next_codes(page: &Page) -> Codes {
    loop {
        if let Notice::Codes(codes) = page.running().notices.recv().unwrap() {
            return codes;
        }
    }
}

#[test]
fn on_the_network_nothing_is_told_or_entered_before_pairing() {
    let dir = with_book();
    let page = lan(dir.path());
    let phone = page.phone();
    assert_eq!(page.running().fingerprint.as_ref().unwrap().len(), 95);
    let me = phone.get("/api/me").ok(200);
    assert_eq!(
        (&me["paired"], &me["role"], &me["token"], &me["rig"]),
        (&false.into(), &Value::Null, &Value::Null, &Value::Null)
    );
    for path in [
        "/api/pumps",
        "/api/rounds",
        "/api/rounds/6/verdict",
        "/api/due",
        "/api/events",
        "/api/handover",
        "/handover.html",
        "/api/nothing",
    ] {
        phone.get(path).was(401);
    }
    for path in ENTRIES {
        phone.post(path, &json!({"key": key()})).was(401);
    }
    assert_eq!(phone.get("/").status, 200);
    // The certificate that a phone can be told to trust is there for all; it is no secret.
    assert_eq!(phone.get("/certificate.crt").was(200).body, page.authority().unwrap());
    assert_eq!(page.holds().rounds, 6);
    // Without encryption there is nothing.
    let plain = page.answer(format!("GET /api/me HTTP/1.1\r\nHost: {}\r\n\r\n", page.address()).as_bytes());
    assert!(!plain.contains("HTTP/1.1 200"), "{plain}");
}

#[test]
fn a_code_pairs_one_phone_and_a_restart_does_not_part_them() {
    let dir = with_book();
    let page = lan(dir.path());
    let codes = page.running().codes.clone().unwrap();
    let crew = paired(&page, &Codes::spoken(&codes.crew).to_lowercase());
    try_code(&page.phone(), &codes.crew).was(403);
    try_code(&page.phone(), &codes.reader).was(403);
    let codes = next_codes(&page);
    let reader = paired(&page, &codes.reader);
    let round = crew.round();
    crew.upload(round, 1, &tiny_wav(5), 2000);

    let me = reader.get("/api/me").ok(200);
    assert_eq!((&me["role"], &me["paired"], &me["secure"]), (&"reader".into(), &true.into(), &true.into()));
    assert_eq!(reader.get("/api/pumps").ok(200)[0]["name"], "MP-1");
    for path in ENTRIES {
        let got = reader.post(path, &json!({"key": key(), "pump": "MP-1", "spm": 88})).was(403);
        assert!(got.json()["error"].as_str().unwrap().contains("read only"), "{path}: {}", got.text());
    }
    reader.put("/api/uploads/00000000000000000000000000000000?from=0", b"RIFF").was(403);
    assert_eq!(page.holds().rounds, 7);
    // One phone's token is nothing with another's cookie.
    let mut mixed = reader.clone();
    mixed.token.clone_from(&crew.token);
    mixed.post("/api/rounds", &json!({"key": key(), "pump": "MP-1"})).was(403);
    let mut forged = crew.clone();
    forged.cookie = Some(format!("seatsong={}", "A".repeat(43)));
    forged.post("/api/rounds", &json!({"key": key(), "pump": "MP-1"})).was(401);

    let print = page.running().fingerprint.clone();
    page.stop();
    let page = lan(dir.path());
    assert_eq!(page.running().fingerprint, print, "the same certificate");
    let mut again = crew.clone();
    again.url = page.url.trim_end_matches('/').to_owned();
    assert_eq!(again.get("/api/me").ok(200)["role"], "crew");
    again.round();
    for name in ["certificate.pem", "key.pem", "sessions.json"] {
        let path = page.book.join("page").join(name);
        let text = std::fs::read_to_string(&path).unwrap();
        assert!(
            !text.contains(&crew.token)
                && !text.contains(crew.cookie.as_ref().unwrap().trim_start_matches("seatsong="))
        );
        #[cfg(unix)]
        {
            use std::os::unix::fs::PermissionsExt as _;
            assert_eq!(std::fs::metadata(&path).unwrap().permissions().mode() & 0o777, 0o600, "{name}");
        }
    }
}

#[test]
fn a_thousand_wrong_codes_open_nothing_and_hold_up_the_right_one_from_there() {
    let dir = with_book();
    let page = lan(dir.path());
    let phone = page.phone();
    let (mut wrong, mut waits) = (0, 0);
    for k in 0..1000_u32 {
        let code = format!("{:05}{:05}", k * 7 % 99_999, k);
        let got = try_code(&phone, &code);
        match got.status {
            403 => wrong += 1,
            429 => {
                waits += 1;
                assert!(got.json()["wait_s"].as_u64().unwrap() > 0 && got.header("retry-after").is_some());
            }
            other => panic!("{other}: {}", got.text()),
        }
        assert!(got.header("set-cookie").is_none());
    }
    assert_eq!((wrong, waits), (5, 995));
    let codes = page.running().codes.clone().unwrap();
    try_code(&phone, &codes.crew).was(429);
    assert!(!page.book.join("page/sessions.json").exists(), "nobody was paired");
    phone.get("/api/pumps").was(401);
    for body in ["{}", "{\"code\": 7}", "{\"code\": null}", "[", "{\"code\": {\"a\": []}}"] {
        let headers = [("origin", phone.url.as_str()), ("content-type", "application/json")];
        phone.send("POST", "/api/pair", &headers, body.as_bytes()).unwrap().was(400);
    }
    let foreign = [("origin", "https://foreign.example"), ("content-type", "application/json")];
    phone.send("POST", "/api/pair", &foreign, b"{\"code\": \"x\"}").unwrap().was(403);
}
