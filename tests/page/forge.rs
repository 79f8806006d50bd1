use serde_json::json;

use crate::helper::{Page, Phone, key, with_book};

fn head(page: &Page, method: &str, path: &str, more: &str) -> String {
    page.answer(
        format!("{method} {path} HTTP/1.1\r\nHost: {}\r\nConnection: close\r\n{more}\r\n", page.address()).as_bytes(),
    )
}

#[test]
fn no_address_leads_out_of_the_page() {
    let dir = with_book();
    std::fs::write(dir.path().join("book/page-secret.txt"), "SECRET-OF-THE-RIG").unwrap();
    let page = Page::of(&dir.path().join("book"));
    for path in [
        "/../book.db",
        "/../../../../etc/passwd",
        "/%2e%2e/%2e%2e/etc/passwd",
        "/..%2f..%2fetc%2fpasswd",
        "/lib/../../page-secret.txt",
        "/lib/..%5c..%5cpage-secret.txt",
        "/page-secret.txt",
        "/book.db",
        "/page/local.key",
        "/page/key.pem",
        "/assets/index.html",
        "//etc/passwd",
        "/./index.html%00.png",
        "/api/uploads/..%2f..%2fbook.db",
        "/api/uploads/../../book.db",
        "/api/rounds/../../etc/passwd",
        "/api/rounds/1%2f..%2f..",
        "http://127.0.0.1/../etc/passwd",
        "/certificate.crt",
    ] {
        let answer = head(&page, "GET", path, "");
        assert!(answer.starts_with("HTTP/1.1 40"), "{path}: {answer}");
        assert!(
            !answer.contains("root:") && !answer.contains("SQLite") && !answer.contains("SECRET"),
            "{path}: {answer}"
        );
    }
}

#[test]
fn a_name_that_was_pointed_at_this_computer_is_refused() {
    let dir = with_book();
    let page = Page::of(&dir.path().join("book"));
    let port = page.address().port();
    let get = |host: &str| page.answer(format!("GET /api/me HTTP/1.1\r\n{host}Connection: close\r\n\r\n").as_bytes());
    for host in [
        format!("Host: rebound.example:{port}\r\n"),
        format!("Host: 127.0.0.1.rebound.example:{port}\r\n"),
        format!("Host: 192.168.1.5:{port}\r\n"),
        format!("Host: 127.0.0.1:{}\r\n", port ^ 1),
        format!("Host: user@127.0.0.1:{port}\r\n"),
        format!("Host: 127.0.0.1:{port}\r\nHost: rebound.example\r\n"),
        "Host: \r\n".to_owned(),
        String::new(),
    ] {
        let answer = get(&host);
        assert!(!answer.starts_with("HTTP/1.1 200") && !answer.contains("token\":\""), "{host}: {answer}");
    }
    for host in [format!("127.0.0.1:{port}"), format!("localhost:{port}"), format!("[::1]:{port}")] {
        assert!(get(&format!("Host: {host}\r\n")).starts_with("HTTP/1.1 200"), "{host}");
    }
}

#[test]
fn a_foreign_page_can_enter_nothing() {
    let dir = with_book();
    let page = Page::of(&dir.path().join("book"));
    let phone = page.phone();
    let body = json!({"key": key(), "pump": "MP-1", "spm": 88}).to_string();
    let (own, token) = (phone.url.clone(), phone.token.clone());
    let json_type = ("content-type", "application/json");
    let without_port = own.rsplit_once(':').unwrap().0.to_owned();
    for headers in [
        vec![json_type],
        vec![json_type, ("origin", own.as_str())],
        vec![json_type, ("x-seatsong-token", token.as_str())],
        vec![json_type, ("origin", "https://foreign.example"), ("x-seatsong-token", token.as_str())],
        vec![json_type, ("origin", "null"), ("x-seatsong-token", token.as_str())],
        vec![json_type, ("origin", without_port.as_str()), ("x-seatsong-token", token.as_str())],
        vec![json_type, ("origin", own.as_str()), ("x-seatsong-token", "A")],
        vec![json_type, ("origin", own.as_str()), ("x-seatsong-token", &token[1..])],
        vec![
            json_type,
            ("origin", own.as_str()),
            ("x-seatsong-token", token.as_str()),
            ("sec-fetch-site", "cross-site"),
        ],
        vec![
            json_type,
            ("origin", own.as_str()),
            ("x-seatsong-token", token.as_str()),
            ("sec-fetch-site", "same-site"),
        ],
    ] {
        let got = phone.send("POST", "/api/rounds", &headers, body.as_bytes()).unwrap();
        assert_eq!(got.status, 403, "{headers:?}: {}", got.text());
    }
    // What a form can send without asking is not taken either.
    for kind in ["text/plain", "application/x-www-form-urlencoded", "multipart/form-data", "application/jsonp"] {
        let headers = [("content-type", kind), ("origin", own.as_str()), ("x-seatsong-token", token.as_str())];
        let got = phone.send("POST", "/api/rounds", &headers, body.as_bytes()).unwrap();
        assert_eq!(got.status, 415, "{kind}: {}", got.text());
    }
    assert_eq!(page.holds().rounds, 6);
    let headers =
        [json_type, ("origin", own.as_str()), ("x-seatsong-token", token.as_str()), ("sec-fetch-site", "same-origin")];
    phone.send("POST", "/api/rounds", &headers, body.as_bytes()).unwrap().was(201);
    // Answers are for our own pages only.
    phone.try_get("/api/pumps", &[("sec-fetch-site", "cross-site")]).unwrap().was(403);
    phone.try_get("/api/pumps", &[("sec-fetch-site", "same-origin")]).unwrap().was(200);
    let me = phone.try_get("/api/me", &[("origin", "https://foreign.example")]).unwrap();
    assert!(me.header("access-control-allow-origin").is_none());
    assert_eq!(me.header("cross-origin-resource-policy"), Some("same-origin"));
}

#[test]
fn every_answer_keeps_browsers_strict_and_all_files_are_served() {
    let dir = with_book();
    let page = Page::of(&dir.path().join("book"));
    let phone = page.phone();
    for asset in seatsong::inside::page::assets::ASSETS {
        let got = phone.get(asset.path).was(200);
        assert_eq!(got.body, asset.bytes, "{}", asset.path);
        assert_eq!(got.header("cache-control"), Some("no-cache"));
        let tag = got.header("etag").unwrap().to_owned();
        let again = phone.try_get(asset.path, &[("if-none-match", &tag)]).unwrap().was(304);
        assert!(again.body.is_empty());
    }
    let all: usize = seatsong::inside::page::assets::ASSETS.iter().map(|a| a.bytes.len()).sum();
    assert!(all < 300_000, "{all} bytes");
    for path in ["/", "/app.js", "/api/me", "/api/pumps", "/api/nothing", "/nothing", "/api/rounds/x"] {
        let got = phone.get(path);
        let policy = got.header("content-security-policy").unwrap();
        assert!(policy.contains("default-src 'none'") && policy.contains("frame-ancestors 'none'"), "{path}");
        assert!(!policy.contains("unsafe") && !policy.contains('*') && !policy.contains("http"), "{path}: {policy}");
        assert_eq!(got.header("x-content-type-options"), Some("nosniff"));
        assert_eq!(got.header("referrer-policy"), Some("no-referrer"));
        if path.starts_with("/api/") {
            assert_eq!(got.header("cache-control"), Some("no-store"), "{path}");
            assert_eq!(got.header("content-type"), Some("application/json"), "{path}");
        }
    }
    let note = phone.get("/handover.html").was(200);
    let policy = note.header("content-security-policy").unwrap();
    assert!(policy.contains("default-src 'none'") && policy.contains("frame-ancestors 'self'"), "{policy}");
    assert!(!policy.contains("script-src") && policy.contains("sandbox"), "{policy}");
}

/// Every address that enters something.
pub(crate) const ENTRIES: [&str; 18] = [
    "/api/rounds",
    "/api/rounds/1/close",
    "/api/uploads",
    "/api/uploads/00000000000000000000000000000000/done",
    "/api/checks",
    "/api/parts",
    "/api/hours",
    "/api/concerns",
    "/api/concerns/1/close",
    "/api/work",
    "/api/work/1",
    "/api/baseline/accept",
    "/api/handover/sign",
    "/api/handover/receive",
    "/api/handover/amend",
    "/api/rounds/9223372036854775807/close",
    "/api/work/99999999999999999999999",
    "/api/concerns/-1/close",
];

#[test]
fn nonsense_is_refused_in_words_and_never_breaks_the_server() {
    let dir = with_book();
    let page = Page::of(&dir.path().join("book"));
    let phone = page.phone();
    let deep = format!("{}{}", "[".repeat(20_000), "]".repeat(20_000));
    let bodies = [
        String::new(),
        "{".into(),
        "null".into(),
        "[]".into(),
        "\"text\"".into(),
        "{}".into(),
        "1e999".into(),
        deep.clone(),
        format!("{{\"key\": \"test-key-deep\", \"pump\": {deep}}}"),
        "{\"key\": 7}".into(),
        "{\"key\": \"\", \"pump\": \"\"}".into(),
        "{\"key\": \"test-key-nonsense\", \"pump\": \"MP-1\", \"spm\": 1e308, \"round\": 1e308, \"module\": 1e308}".into(),
        "{\"key\": \"test-key-nonsense\", \"module\": 184467440737095516160, \"round\": -9223372036854775808}".into(),
        "{\"key\": \"test-key-nonsense\", \"at\": \"9999999-99-99T99:99:99Z\", \"words\": \"\\u0000\", \"by\": \"\\ud800\"}".into(),
        format!("{{\"key\": \"{}\"}}", "k".repeat(5000)),
        format!("{{\"key\": \"test-key-large\", \"words\": \"{}\"}}", "w".repeat(100_000)),
    ];
    let before = page.holds();
    for path in ENTRIES {
        for body in &bodies {
            // These need no more than a key.
            let enough = ["/api/rounds", "/api/rounds/1/close", "/api/handover/sign"].contains(&path);
            if enough
                && (body.contains("test-key-nonsense") || body.contains("test-key-deep"))
                && !(path == "/api/rounds" && body.contains("spm"))
            {
                continue;
            }
            let got = phone.post_text(path, body);
            assert!(
                (400..500).contains(&got.status),
                "{path} {}: {} {}",
                &body[..body.len().min(60)],
                got.status,
                got.text()
            );
            assert!(got.json()["error"].as_str().is_some_and(|e| !e.is_empty()), "{path}: {}", got.text());
        }
        phone.post_text(path, "\u{feff}{}");
    }
    for path in [
        "/api/rounds?pump=%00",
        "/api/rounds?pump=MP-9",
        "/api/rounds/1/map",
        "/api/rounds/1/map?module=x",
        "/api/rounds/1/map?module=99999999999",
        "/api/rounds/1e9",
        "/api/readings?pump=MP-9",
        "/api/trend?module=77",
        "/api/handover?tour=9999-99-99",
        "/api/handover?tour=2999-01-01T00:00:00Z",
        "/api/uploads/none",
        "/api/work?pump=%ff",
        "/api/rounds/1/hear?module=1&which=now&arc=NaN,NaN",
    ] {
        let got = phone.get(path);
        assert!((400..500).contains(&got.status), "{path}: {} {}", got.status, got.text());
        assert!(got.json()["error"].is_string(), "{path}");
    }
    let (now, mut after) = (page.holds(), before.clone());
    after.database_bytes = now.database_bytes;
    assert_eq!(now, after);
    assert_eq!(phone.get("/api/pumps").status, 200);
    for method in ["DELETE", "PATCH", "OPTIONS", "TRACE", "BREW"] {
        let answer = head(&page, method, "/api/rounds", "");
        assert!(answer.starts_with("HTTP/1.1 4"), "{method}: {answer}");
    }
    let _: Phone = page.phone();
}
