use serde_json::{Value, json};

use crate::helper::{Page, key, seatsong, with_book};

#[test]
fn running_hours_are_those_of_the_command() {
    let dir = with_book();
    let page = Page::of(&dir.path().join("book"));
    let phone = page.phone();
    let none = phone.get("/api/hours?pump=MP-1").ok(200);
    assert_eq!((&none["last"], &none["unit"], &none["pump"]), (&Value::Null, &"h".into(), &"MP-1".into()));
    let by_command = ["part", "hours", "9,5 h", "--from", "2026-11-01 06:00", "--to", "2026-11-01 18:00"];
    seatsong(dir.path(), &by_command).ended(0).tells("9.5 h");
    let of = |from: &str, to: &str, hours: Value| json!({"key": key(), "pump": "MP-1", "from": from, "to": to, "hours": hours, "by": "derrickman"});
    let entry = of("2026-11-01T18:00", "2026-11-02T06:00", json!("11.5 h"));
    let entered = phone.post("/api/hours", &entry).ok(201)["entered"].clone();
    assert_eq!(phone.post("/api/hours", &entry).ok(200)["entered"], entered, "sent twice, entered once");
    let shown = phone.get("/api/hours?pump=MP-1").ok(200);
    let hours: Vec<f64> = shown["entries"].as_array().unwrap().iter().map(|e| e["hours"].as_f64().unwrap()).collect();
    assert_eq!(hours, [11.5, 9.5], "newest first");
    assert_eq!(shown["last"], entered);
    // A number in JSON has one reading, with three decimals too.
    let exact = phone.post("/api/hours", &of("2026-11-02T06:00", "2026-11-02T18:00", json!(3.125))).ok(201);
    assert_eq!(exact["entered"]["hours"], 3.125);
    for (from, to, hours, says) in [
        ("2026-11-03T06:00", "2026-11-03T18:00", json!("13"), "clock ran 12.0 h"),
        ("2026-11-01T12:00", "2026-11-01T20:00", json!("2"), "twice"),
        ("2026-11-03T18:00", "2026-11-03T06:00", json!("2"), "later"),
        ("2026-11-03T18:00", "2026-11-03T18:00", json!("0"), "later"),
        ("2026-11-03T06:00", "2999-01-01T06:00", json!("2"), "future"),
        ("2026-11-03T06:00", "2026-11-03T18:00", json!("-2"), "10.5"),
        ("2026-11-03T06:00", "2026-11-03T18:00", json!("1,250 h"), "1250 or as 1.25"),
        ("2026-11-03T06:00", "2026-11-03T18:00", json!("ten"), "10.5"),
        ("2026-11-03T06:00", "2026-11-03T18:00", json!(""), "10.5"),
        ("noon", "2026-11-03T18:00", json!("2"), "noon"),
    ] {
        let got = phone.post("/api/hours", &of(from, to, hours)).was(422);
        assert!(got.json()["error"].as_str().unwrap().contains(says), "{says}: {}", got.text());
    }
    phone.get("/api/hours?pump=MP-9").was(404);
    // What the lives of parts are counted in.
    let at = "2026-11-01 06:00";
    seatsong(dir.path(), &["part", "change", "1", "piston", "--at", at]).ended(0);
    let parts = phone.get("/api/parts?pump=MP-1").ok(200);
    assert!((parts["parts"][0]["hours"].as_f64().unwrap() - 24.125).abs() < 1e-9, "{parts}");
}
