use serde_json::{Value, json};

use crate::helper::{Page, key, listen, seatsong, sum, today, with_book};

#[test]
fn a_whole_round_by_the_page_gives_the_verdict_of_the_command_and_the_other_phone_sees_it_come() {
    let dir = with_book();
    let page = Page::of(&dir.path().join("book"));
    let phone = page.phone();
    let other = listen(&page);

    let pumps = phone.get("/api/pumps").ok(200);
    let pump = &pumps[0];
    assert_eq!((&pump["name"], &pump["modules"], &pump["units"]), (&"MP-1".into(), &json!([1, 2, 3]), &"si".into()));
    assert_eq!((&pump["liner"], &pump["last_point"]["pressure"]), (&"152.4 mm".into(), &"200 bar".into()));
    assert_eq!((pump["spots"].as_array().unwrap().len(), &pump["open_round"]), (3, &6.into()));
    let wish = json!({"key": key(), "pump": "MP-1", "spm": "88", "pressure": "20 MPa", "mud": "1.2 sg",
        "crew": "derrickman", "remarks": "windy", "at": "2026-11-13T06:00:00Z"});
    let round = phone.post("/api/rounds", &wish).ok(201);
    let id = round["id"].as_i64().unwrap();
    assert_eq!(
        (id, &round["pressure"], &round["spm"], &round["clips"]),
        (7, &"200 bar".into(), &88.0.into(), &json!([]))
    );
    phone.get(&format!("/api/rounds/{id}/verdict")).was(409);
    for module in 1..=3 {
        let bytes = today(module);
        let clip = phone.upload(id, module, &bytes, 100_000);
        assert_eq!((&clip["module"], &clip["sha256"]), (&module.into(), &sum(&bytes).into()));
    }
    let by_page = phone.verdict(id);
    let by_command = seatsong(dir.path(), &["verdict", "7", "--json"]).ended(0).json();
    assert_eq!(by_page, by_command);
    assert_eq!(by_page["clips"][1]["verdict"], "departed");
    assert_eq!(phone.verdict(id), by_command, "asked again");

    let told: Vec<Value> = other.take(8).collect();
    let kinds: Vec<&str> = told.iter().map(|e| e["kind"].as_str().unwrap()).collect();
    assert_eq!(kinds, ["round", "clip", "clip", "clip", "progress", "progress", "progress", "verdict"]);
    assert!(told.iter().all(|e| e["round"] == 7), "{told:?}");
    let done: Vec<u64> = told[4..7].iter().map(|e| e["done"].as_u64().unwrap()).collect();
    assert!(done.contains(&3) && told[4..7].iter().all(|e| e["of"] == 3), "{told:?}");

    let listed = phone.get("/api/rounds?pump=MP-1").ok(200);
    assert_eq!(
        (&listed[0]["id"], &listed[0]["clips"], &listed[0]["worst"]["module"]),
        (&7.into(), &3.into(), &2.into())
    );
    assert_eq!(listed[0]["worst"]["verdict"], "departed");
    let closed = phone.post(&format!("/api/rounds/{id}/close"), &json!({"key": key(), "remarks": "screen cleaned"}));
    assert!(closed.ok(201)["closed_at"].is_string());
    assert_eq!(phone.get("/api/rounds/7").ok(200)["remarks"], "windy\nscreen cleaned");
}

#[test]
fn a_change_can_be_seen_and_heard() {
    let dir = with_book();
    let page = Page::of(&dir.path().join("book"));
    let phone = page.phone();
    let id = phone.round();
    let clip = phone.upload(id, 2, &today(2), 1 << 20);
    assert_eq!(clip["round"], id);
    let verdict = phone.verdict(id);
    let map = phone.get(&format!("/api/rounds/{id}/map?module=2")).ok(200);
    let (arc, band) = (&verdict["clips"][0]["arc_deg"], &verdict["clips"][0]["band_hz"]);
    assert_eq!((&map["arc_deg"], &map["band_hz"], &map["angle"]), (arc, band, &"absolute".into()));
    let (n_band, n_angle) =
        (map["band_edges_hz"].as_array().unwrap().len() - 1, map["angles_deg"].as_array().unwrap().len());
    assert_eq!((map["angles_deg"][0].as_f64(), n_angle), (Some(0.0), 72));
    let cell = |name: &str, b: usize, a: usize| map[name][b][a].as_f64();
    let mut loudest = (f64::NEG_INFINITY, 0, 0);
    for b in 0..n_band {
        assert_eq!(map["difference_db"][b].as_array().unwrap().len(), n_angle);
        for a in 0..n_angle {
            let Some(now) = cell("now_db", b, a) else { continue };
            let (good, difference) = (cell("good_db", b, a).unwrap(), cell("difference_db", b, a).unwrap());
            assert!((now - good - difference).abs() < 0.03, "{b} {a}");
            loudest = if difference > loudest.0 { (difference, b, a) } else { loudest };
        }
    }
    // The change that the verdict names is where the map shows most.
    let inside = |x: f64, span: &serde_json::Value| {
        x >= span[0].as_f64().unwrap() * 0.8 && x <= span[1].as_f64().unwrap() * 1.25
    };
    assert!(inside(map["band_edges_hz"][loudest.1].as_f64().unwrap(), band), "{loudest:?} {band}");

    let hear = |which: &str, more: &str| phone.get(&format!("/api/rounds/{id}/hear?module=2&which={which}{more}"));
    let (good, now) = (hear("good", "").was(200), hear("now", "").was(200));
    for wav in [&good, &now] {
        assert_eq!((wav.header("content-type"), &wav.body[..4]), (Some("audio/wav"), b"RIFF".as_slice()));
        assert!(wav.body.len() > 50_000 && wav.body.len() < 1_000_000, "{}", wav.body.len());
    }
    let energy = |wav: &[u8]| -> f64 {
        wav[44..].chunks_exact(3).map(|b| f64::from(i32::from_le_bytes([0, b[0], b[1], b[2]])).powi(2)).sum::<f64>()
            / wav.len() as f64
    };
    // What washes is louder in its band and arc, at equal gain.
    assert!(energy(&now.body) > 1.5 * energy(&good.body), "{} {}", energy(&now.body), energy(&good.body));
    let range = [("range", "bytes=0-99")];
    let part = phone.try_get(&format!("/api/rounds/{id}/hear?module=2&which=good"), &range).unwrap().was(206);
    let whole = good.body.len();
    assert_eq!(
        (part.body.as_slice(), part.header("content-range")),
        (&good.body[..100], Some(format!("bytes 0-99/{whole}").as_str()))
    );
    for wrong in ["&arc=1", "&arc=0,999", "&band=900,100", "&band=a,b", "&band=1e999,2", "&arc=-5,20"] {
        hear("now", wrong).was(422);
    }
    hear("never", "").was(422);
    phone.get(&format!("/api/rounds/{id}/map?module=9")).was(404);
    phone.get("/api/rounds/99/verdict").was(404);
}

#[test]
fn an_entry_that_is_sent_again_is_made_once_even_after_a_restart() {
    let dir = with_book();
    let book = dir.path().join("book");
    let page = Page::of(&book);
    let phone = page.phone();
    let body = json!({"key": "0d1c8f6e-phone-entry", "pump": "MP-1", "spm": 88, "at": "2026-11-20T06:00:00Z"});
    let first = phone.post("/api/rounds", &body).ok(201);
    assert_eq!(phone.post("/api/rounds", &body).ok(200), first);
    page.stop();
    let page = Page::of(&book);
    let again = page.phone();
    assert_eq!(again.token, phone.token, "a page that was open goes on");
    assert_eq!(again.post("/api/rounds", &body).ok(200), first);
    let mut other = body.clone();
    other["spm"] = json!(70);
    again.post("/api/rounds", &other).was(422);
    assert_eq!(page.holds().rounds, 7);
    // Eight phones with one entry at the same moment.
    let body = json!({"key": key(), "pump": "MP-1", "spm": 80});
    let ids: Vec<i64> = std::thread::scope(|s| {
        let tries: Vec<_> =
            (0..8).map(|_| s.spawn(|| again.post("/api/rounds", &body).json()["id"].as_i64().unwrap())).collect();
        tries.into_iter().map(|t| t.join().unwrap()).collect()
    });
    assert!(ids.iter().all(|i| *i == 8), "{ids:?}");
    assert_eq!(page.holds().rounds, 8);
}

#[test]
fn what_a_console_can_not_show_is_refused_in_words() {
    let dir = with_book();
    let page = Page::of(&dir.path().join("book"));
    let phone = page.phone();
    for (field, value, says) in [
        ("pressure", json!("200"), "unit"),
        ("pressure", json!("2,600 psi"), "2600 psi or as 2.6 psi"),
        ("pressure", json!(2.125), "unit"),
        ("pressure", json!("-3 bar"), "pressure"),
        ("spm", json!(4000), "strokes a minute"),
        ("spm", json!([1]), "text or a number"),
        ("mud", json!("heavy"), "mud weight"),
        ("pump", json!("MP-9"), "MP-1"),
        ("at", json!("yesterday"), "write it like"),
    ] {
        let mut body = json!({"key": key(), "pump": "MP-1", "spm": 88});
        body[field] = value;
        let refused = phone.post("/api/rounds", &body);
        assert!(refused.status == 422 || refused.status == 404, "{field}: {}", refused.text());
        assert!(refused.json()["error"].as_str().unwrap().contains(says), "{field}: {}", refused.text());
    }
    assert_eq!(page.holds().rounds, 6);
}
