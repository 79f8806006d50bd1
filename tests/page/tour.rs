use serde_json::{Value, json};

use crate::helper::{Page, key, seatsong, today, with_book};

#[test]
fn checks_are_due_judged_asked_about_and_entered() {
    let dir = with_book();
    let page = Page::of(&dir.path().join("book"));
    let phone = page.phone();
    let due = phone.get("/api/due").ok(200);
    let by_command = seatsong(dir.path(), &["due", "--all", "--json"]).ended(0).json();
    let names = |d: &Value| -> Vec<Value> {
        d["checks"]
            .as_array()
            .unwrap()
            .iter()
            .map(|c| json!([c["check"], c["target"], c["state"], c["text"]]))
            .collect()
    };
    assert_eq!(names(&due), names(&by_command));
    let of = |d: &Value, id: &str| d["checks"].as_array().unwrap().iter().find(|c| c["check"] == id).unwrap().clone();
    let gauges = of(&due, "gauges");
    let ask = &gauges["asks"][0];
    assert_eq!((&ask["kind"], &ask["last"]), (&"pressure".into(), &Value::Null));
    assert!(ask["unit"].is_string() && ask["limits"].as_str().unwrap().contains("no limit entered"), "{ask}");

    let entry =
        |answer: Value| json!({"key": key(), "check": "gauges", "pump": "MP-1", "answer": answer, "by": "derrickman"});
    let mut odd = entry(json!({"pump": "2.1 bar"}));
    let asked = phone.post("/api/checks", &odd).ok(409);
    assert!(
        asked["ask"].as_str().unwrap().contains("is it meant?") && !asked["ask"].as_str().unwrap().contains("--yes"),
        "{asked}"
    );
    let count = || {
        let all = seatsong(dir.path(), &["reading", "list", "--json"]).ended(0).json();
        all["entries"].as_array().unwrap().len()
    };
    assert_eq!(count(), 0, "nothing was entered");
    odd["yes"] = json!(true);
    let entered = phone.post("/api/checks", &odd).ok(201)["entered"].clone();
    assert_eq!((&entered["check"], count()), (&"gauges".into(), 1));
    assert_eq!(phone.post("/api/checks", &odd).ok(200)["entered"], entered);
    assert_eq!(count(), 1, "sent twice, entered once");
    phone.post("/api/checks", &entry(json!({"pump": "212 bar", "standpipe": "209 bar", "console": 7}))).was(422);
    for (answer, says) in [
        (json!({"pump": "212"}), "unit"),
        (json!({"pump": "212 C"}), "unit"),
        (json!({"nose": "2 bar"}), "standpipe"),
        (json!({}), "nothing was read"),
        (json!({"pump": "99999 bar"}), "can't be"),
    ] {
        let got = phone.post("/api/checks", &entry(answer)).was(422);
        assert!(got.json()["error"].as_str().unwrap().contains(says), "{says}: {}", got.text());
    }
    let said =
        phone.post("/api/checks", &entry(json!({"pump": "180 bar", "standpipe": "212 bar", "console": "211 bar"})));
    let said = said.ok(201);
    let remarks = said["entered"]["remarks"].as_array().unwrap();
    assert!(remarks.iter().any(|r| r["rule"] == "gauges" && r["weight"] != "fine"), "{said}");
    let skip =
        json!({"key": key(), "check": "suction-screen", "pump": "MP-1", "skip_reason": "no connection in this tour"});
    phone.post("/api/checks", &skip).was(201);
    let due = phone.get("/api/due").ok(200);
    assert_eq!(of(&due, "suction-screen")["state"], "skipped");
    assert_eq!(of(&due, "gauges")["asks"][0]["last"]["shown"], "180 bar");
    let read = phone.get("/api/readings?pump=MP-1").ok(200);
    let pump =
        read["readings"].as_array().unwrap().iter().find(|r| r["check"] == "gauges" && r["name"] == "pump").unwrap();
    assert_eq!((pump["points"].as_array().unwrap().len(), &pump["last"]["shown"]), (2, &"180 bar".into()));
    assert!((pump["points"][1]["value"].as_f64().unwrap() - 180.0).abs() < 0.5, "{pump}");
    let future = json!({"key": key(), "check": "gauges", "pump": "MP-1", "answer": {"pump": "212 bar"}, "at": "2999-01-01T06:00:00Z"});
    phone.post("/api/checks", &future).was(422);
}

#[test]
fn parts_concerns_and_work_are_those_of_the_commands() {
    let dir = with_book();
    let page = Page::of(&dir.path().join("book"));
    let phone = page.phone();
    let part =
        json!({"key": key(), "pump": "MP-1", "module": 2, "kind": "seat", "side": "discharge", "by": "mechanic"});
    assert!(phone.post("/api/parts", &part).ok(201)["entered"]["words"].as_str().unwrap().contains("fitted"));
    let again =
        json!({"key": key(), "pump": "MP-1", "module": 2, "kind": "seat", "side": "discharge", "why": "washed"});
    assert!(phone.post("/api/parts", &again).ok(201)["entered"]["words"].as_str().unwrap().contains("washed"));
    for wrong in [json!({"kind": "nose"}), json!({"side": "left"}), json!({"module": 9}), json!({"why": null})] {
        let mut body = again.clone();
        body["key"] = json!(key());
        body.as_object_mut().unwrap().extend(wrong.as_object().unwrap().clone());
        phone.post("/api/parts", &body).was(422);
    }
    let parts = phone.get("/api/parts?pump=MP-1").ok(200);
    let by_command = seatsong(dir.path(), &["part", "list", "--json"]).ended(0).json();
    assert_eq!(parts["parts"].as_array().unwrap().len(), 1);
    assert_eq!(parts["parts"][0]["fitted_at"], by_command["parts"][0]["fitted_at"]);
    let lives = seatsong(dir.path(), &["part", "life", "--json"]).ended(0).json();
    assert_eq!(parts["lives"].as_array().unwrap().len(), lives["groups"].as_array().unwrap().len());

    let concern = phone.post(
        "/api/concerns",
        &json!({"key": key(), "pump": "MP-1", "module": 2, "words": "cap weeps", "by": "derrickman"}),
    );
    let number = concern.ok(201)["number"].as_i64().unwrap();
    let listed = phone.get("/api/concerns").ok(200);
    assert_eq!(
        (&listed["concerns"][0]["words"], &listed["concerns"][0]["pump"]),
        (&"module 2: cap weeps".into(), &"MP-1".into())
    );
    phone.post(&format!("/api/concerns/{number}/close"), &json!({"key": key(), "why": ""})).was(422);
    phone
        .post(
            &format!("/api/concerns/{number}/close"),
            &json!({"key": key(), "why": "gasket changed", "by": "mechanic"}),
        )
        .was(201);
    assert_eq!(phone.get("/api/concerns").ok(200)["concerns"], json!([]));
    phone.post("/api/concerns/77/close", &json!({"key": key(), "why": "x"})).was(404);

    let job = phone
        .post(
            "/api/work",
            &json!({"key": key(), "pump": "MP-1", "words": "module 2, discharge seat", "by": "derrickman"}),
        )
        .ok(201);
    let path = format!("/api/work/{}", job["number"]);
    assert_eq!((&job["stage"], job["steps"].as_array().unwrap().len()), (&"preparing".into(), 13));
    let refused = phone.post(&path, &json!({"key": key(), "open": true})).was(422);
    assert!(refused.json()["error"].as_str().unwrap().contains("permit to work"), "{}", refused.text());
    for (step, answer) in [
        ("permit", json!("4711")),
        ("locks", json!(1)),
        ("locks", json!("two")),
        ("bled", json!("40 bar")),
        ("dance", json!(null)),
    ] {
        let status = phone.post(&path, &json!({"key": key(), "step": step, "answer": answer, "by": "mechanic"})).status;
        assert_eq!(status, if step == "permit" { 201 } else { 422 }, "{step} {answer}");
    }
    for step in ["risk-review", "driller-told", "supervisor-told", "driver-told"] {
        phone.post(&path, &json!({"key": key(), "step": step, "by": "derrickman"})).was(201);
    }
    for (step, answer) in [("mechanical-isolation", "12"), ("locks", "2"), ("bled", "0 bar")] {
        phone.post(&path, &json!({"key": key(), "step": step, "answer": answer})).was(201);
    }
    phone
        .post(&path, &json!({"key": key(), "step": "electrical-isolation", "left_out": "electrician on the way"}))
        .was(201);
    phone.post(&path, &json!({"key": key(), "step": "permit", "open": true})).was(422);
    let open = phone.post(&path, &json!({"key": key(), "open": true})).ok(201);
    assert_eq!(open["stage"], "open");
    assert!(open["unconfirmed"].as_array().unwrap().contains(&json!("electrical-isolation")), "{open}");
    let listed = phone.get("/api/work?pump=MP-1").ok(200);
    let by_command = seatsong(dir.path(), &["work", "list", "--json"]).ended(0).json();
    assert_eq!(listed["jobs"][0]["entries"], by_command["jobs"][0]["entries"]);
    assert!(by_command["jobs"][0]["remark"].as_str().unwrap().contains("not a clearance"));
}

#[test]
fn rounds_are_accepted_trends_told_and_the_note_is_signed() {
    let dir = with_book();
    let page = Page::of(&dir.path().join("book"));
    let phone = page.phone();
    let id = phone.round();
    phone.upload(id, 2, &today(2), 1 << 20);
    phone.verdict(id);
    let trends = phone.get("/api/trend?pump=MP-1").ok(200);
    assert_eq!(trends, seatsong(dir.path(), &["trend", "--json"]).ended(0).json());
    let one = phone.get("/api/trend?pump=MP-1&module=2").ok(200);
    assert_eq!(one["modules"], json!([trends["modules"][1]]));
    let standing = phone.get("/api/baseline?pump=MP-1").ok(200);
    assert_eq!(standing, seatsong(dir.path(), &["baseline", "show", "--json"]).ended(0).json());
    let wish = json!({"key": key(), "round": id, "modules": [], "by": "derrickman"});
    assert_eq!(phone.post("/api/baseline/accept", &wish).ok(201)["modules"], json!([2]));
    phone.post("/api/baseline/accept", &json!({"key": key(), "round": 99, "modules": []})).was(404);

    let note = phone.get("/api/handover?tour=now").ok(200);
    assert_eq!((&note["signed"], &note["sha256"]), (&false.into(), &Value::Null));
    assert!(phone.get("/handover.html?tour=now").was(200).text().contains("Invented rig Night Curlew"));
    phone.post("/api/handover/receive", &json!({"key": key(), "by": "relief derrickman"})).was(422);
    let sign = json!({"key": key(), "by": "derrickman"});
    let signed = phone.post("/api/handover/sign", &sign).ok(201);
    assert_eq!(phone.post("/api/handover/sign", &sign).ok(200), signed, "sent twice, signed once");
    phone.post("/api/handover/sign", &json!({"key": key(), "by": "derrickman"})).was(422);
    let frozen = phone.get("/handover.html").was(200).text();
    phone.post("/api/handover/receive", &json!({"key": key(), "by": "relief derrickman"})).was(201);
    phone
        .post(
            "/api/handover/amend",
            &json!({"key": key(), "by": "toolpusher", "words": "relief valve at <b>290</b> bar"}),
        )
        .was(201);
    let note = phone.get("/api/handover").ok(200);
    assert_eq!(
        (&note["signed"], &note["sha256"], &note["giver"]),
        (&true.into(), &signed["sha256"], &"derrickman".into())
    );
    assert_eq!(note["taken_over"]["by"], "relief derrickman");
    let by_command = seatsong(dir.path(), &["handover", "--json"]).ended(0).json();
    assert_eq!(note["sha256"], by_command["sha256"]);
    let page = phone.get("/handover.html").was(200).text();
    assert!(
        page.contains("<dt>Taken over by</dt><dd>relief derrickman,") && page.contains("&lt;b&gt;290"),
        "both signatures and what is amended show, escaped"
    );
    assert!(page.len() > frozen.len());
}
