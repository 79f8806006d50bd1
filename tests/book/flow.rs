use std::path::Path;

use crate::helper::{room, seatsong, with_rounds};

fn accept_all(dir: &Path) {
    seatsong(dir, &["baseline", "accept", "1", "2", "3", "4", "5", "6", "--by", "derrickman"]).ended(0);
}

#[test]
fn from_an_empty_folder_to_a_ranked_verdict() {
    let dir = with_rounds();
    accept_all(dir.path());
    seatsong(dir.path(), &["verdict", "6"]).ended(0);
    let all = seatsong(dir.path(), &["verdict", "--json"]).ended(0).json();
    assert_eq!((&all["schema"], &all["round"]["number"]), (&"seatsong.verdict/1".into(), &7.into()));
    assert_eq!(all["baseline"].as_array().unwrap().len(), 3);
    assert_eq!(all["baseline"][0]["angle"], "absolute");
    let clips = all["clips"].as_array().unwrap();
    let of = |m: u64| clips.iter().find(|c| c["module"] == m).unwrap();
    assert_eq!(
        (&of(2)["verdict"], &of(2)["half"], &of(2)["pattern"]),
        (&"departed".into(), &"suction".into(), &"hiss".into())
    );
    // The neighbours hear so strong a leak; the source stands far above them.
    for m in [1, 3] {
        let times = of(2)["departure"].as_f64().unwrap() / of(m)["departure"].as_f64().unwrap();
        assert!(times > 3.0, "module {m}: {times}");
    }
    // Since the round before, since a week ago and since new: all of them round 6, the only other verdict.
    let changes: Vec<_> = all["changes"].as_array().unwrap().iter().filter(|c| c["module"] == 2).collect();
    let since: Vec<&str> = changes.iter().map(|c| c["since"].as_str().unwrap()).collect();
    assert_eq!(since, ["last-round", "week", "new"]);
    for c in changes {
        assert!(c["round"] == 6 && c["change"].as_f64().unwrap() > 1.0, "{c}");
    }
    let ran = seatsong(dir.path(), &["verdict"]).ended(0);
    assert!(ran.out.find("Module 2 DEPARTED").unwrap() < ran.out.find("since the round before").unwrap(), "{ran}");
}

#[test]
fn the_trend_has_every_judged_round_once_and_restarts_with_the_baseline() {
    let dir = with_rounds();
    accept_all(dir.path());
    for round in ["1", "2", "3", "4", "5", "6", "7", "7"] {
        seatsong(dir.path(), &["verdict", round]).ended(0);
    }
    let all = seatsong(dir.path(), &["trend", "MP-1", "--json"]).ended(0).json();
    assert_eq!(all["schema"], "seatsong.trends/1");
    let of = |m: usize| &all["modules"][m - 1];
    for m in 1..=3 {
        let points = of(m)["points"].as_array().unwrap();
        assert_eq!((points.len(), &of(m)["state"]), (7, &"few".into()), "{}", of(m));
        assert!(points.windows(2).all(|w| w[0]["time_s"].as_i64() < w[1]["time_s"].as_i64()));
        let good: Vec<bool> = points.iter().map(|p| p["good"].as_bool().unwrap()).collect();
        assert_eq!(good, [true, true, true, true, true, true, false]);
    }
    let leak = |k: usize| of(2)["points"][k]["departure"].as_f64().unwrap();
    assert!(leak(6) > 2.0 && (0..6).all(|k| leak(k) < 1.0), "{}", of(2));
    let ran = seatsong(dir.path(), &["trend", "--module", "2", "--picture", "t.png"]).ended(0);
    assert!(ran.out.contains("odule 2") && !ran.out.contains("odule 1"), "{ran}");
    assert!(std::fs::metadata(dir.path().join("t.png")).unwrap().len() > 5_000);
    seatsong(dir.path(), &["trend", "--module", "4"]).ended(1).says("no module 4");
}

#[test]
fn a_verdict_from_the_book_is_the_same_every_time() {
    let dir = with_rounds();
    accept_all(dir.path());
    let first = seatsong(dir.path(), &["verdict", "--json"]).ended(0).out;
    assert_eq!(seatsong(dir.path(), &["verdict", "--json"]).ended(0).out, first);
    // One verdict is kept, not one a look.
    let shown = seatsong(dir.path(), &["book", "show", "--json"]).ended(0).json();
    assert_eq!(shown["holds"]["verdicts"], 1);
}

#[test]
fn without_good_rounds_the_modules_are_compared_with_each_other_and_none_is_called_departed() {
    let dir = with_rounds();
    let all = seatsong(dir.path(), &["verdict", "--json"]).ended(0).json();
    for c in all["clips"].as_array().unwrap() {
        assert_eq!(c["verdict"], "unjudged");
        assert!(c["reason"].as_str().unwrap().contains("baseline accept"), "{c}");
    }
    assert_eq!(all["modules_compared"]["ranking"].as_array().unwrap().len(), 3);
    seatsong(dir.path(), &["verdict"]).ended(0).tells("weaker");
}

#[test]
fn a_changed_part_starts_one_module_anew() {
    let dir = with_rounds();
    accept_all(dir.path());
    seatsong(dir.path(), &["baseline", "restart", "--module", "3", "--at", "2026-11-05T12:00Z", "--why", "new seat"])
        .ended(0);
    let shown = seatsong(dir.path(), &["baseline", "show", "--json"]).ended(0).json();
    assert_eq!(shown["modules"][2]["rounds"], serde_json::json!([6]));
    assert_eq!(shown["modules"][0]["rounds"].as_array().unwrap().len(), 6);
    assert!(shown["modules"][0]["scatter_db"].as_f64().unwrap() > 0.0);
    assert_eq!(shown["proposals"][0]["round"], 7);
    let all = seatsong(dir.path(), &["verdict", "--json"]).ended(0).json();
    let states: Vec<&str> = all["clips"].as_array().unwrap().iter().map(|c| c["verdict"].as_str().unwrap()).collect();
    assert_eq!((states[1], states[2]), ("departed", "unjudged"));
}

#[test]
fn a_dropped_round_no_longer_counts_and_stays_in_the_book() {
    let dir = with_rounds();
    accept_all(dir.path());
    seatsong(dir.path(), &["baseline", "drop", "4", "--module", "2", "--why", "radio"]).ended(0).tells("module 2");
    let shown = seatsong(dir.path(), &["baseline", "show", "--json"]).ended(0).json();
    assert_eq!(shown["modules"][1]["rounds"], serde_json::json!([6, 5, 3, 2, 1]));
    assert_eq!(shown["modules"][0]["rounds"].as_array().unwrap().len(), 6);
    seatsong(dir.path(), &["baseline", "drop", "4", "--module", "2", "--why", "radio"])
        .ended(1)
        .says("not among the good");
    seatsong(dir.path(), &["baseline", "accept", "4", "--module", "2"]).ended(0).tells("known-good for module 2");
}

#[test]
fn far_from_the_baseline_s_speeds_there_is_no_verdict() {
    let dir = with_rounds();
    accept_all(dir.path());
    // The same pump at half the pressure: the accepted rounds say nothing of that.
    let folder = room().join("round-01").to_str().unwrap().to_owned();
    let new = dir.path().join("slow");
    std::fs::create_dir(&new).unwrap();
    for m in 1..=3 {
        let bytes = std::fs::read(Path::new(&folder).join(format!("m{m}.wav"))).unwrap();
        // A byte behind the sound makes it another recording of the same sound.
        std::fs::write(new.join(format!("m{m}.wav")), [bytes.as_slice(), &[0, 0]].concat()).unwrap();
    }
    seatsong(dir.path(), &["import", "slow", "--at", "2026-11-14T06:00Z", "--pressure", "90bar"]).ended(0);
    let all = seatsong(dir.path(), &["verdict", "--json"]).ended(0).json();
    for c in all["clips"].as_array().unwrap() {
        let codes = c["quality"].to_string();
        assert!(codes.contains("outside-span"), "{c}");
        assert!(c["verdict"] == "unjudged" || c["verdict"] == "steady", "{c}");
    }
}

#[test]
fn maps_of_an_older_method_are_made_again_and_give_the_same_verdict() {
    let dir = with_rounds();
    accept_all(dir.path());
    let first = seatsong(dir.path(), &["verdict", "--json"]).ended(0).out;
    let book = seatsong::inside::book::Book::open(&dir.path().join("book")).unwrap();
    let count = || -> i64 {
        let sql = "SELECT count(*) FROM analysis WHERE method = ?1";
        book.connection().query_row(sql, [seatsong::inside::book::METHOD], |r| r.get(0)).unwrap()
    };
    assert_eq!(count(), 21);
    book.connection().execute("UPDATE analysis SET method = method - 1", []).unwrap();
    // One is spoilt as well.
    book.connection().execute("UPDATE analysis SET data = x'0102' WHERE clip_id = 1", []).unwrap();
    assert_eq!(count(), 0);
    assert_eq!(seatsong(dir.path(), &["verdict", "--json"]).ended(0).out, first);
    assert_eq!(count(), 21);
}
