use serde_json::json;

use crate::helper::{Page, key, listen, today, with_book};

#[test]
fn phones_that_ask_for_one_verdict_together_get_one_and_the_work_is_done_once() {
    let dir = with_book();
    let page = Page::of(&dir.path().join("book"));
    let phone = page.phone();
    let id = phone.round();
    for module in 1..=3 {
        phone.upload(id, module, &today(module), 1 << 20);
    }
    let told = listen(&page);
    let before = page.holds().verdicts;
    let all: Vec<_> = std::thread::scope(|s| {
        let asks: Vec<_> = (0..6).map(|_| s.spawn(|| phone.verdict(id))).collect();
        asks.into_iter().map(|a| a.join().unwrap()).collect()
    });
    assert!(all.windows(2).all(|w| w[0] == w[1]));
    // Three stroke maps, one verdict: not six times.
    let kinds: Vec<String> = told.take(4).map(|e| e["kind"].as_str().unwrap().to_owned()).collect();
    assert_eq!(kinds, ["progress", "progress", "progress", "verdict"]);
    assert_eq!(page.holds().verdicts, before + 1);
    // A further recording makes it another verdict.
    let more = crate::helper::tiny_wav(77);
    phone.upload(id, 1, &more, 1 << 20);
    assert_eq!(phone.verdict(id)["clips"].as_array().unwrap().len(), 4);
}

#[test]
fn the_server_ends_though_phones_listen() {
    let dir = with_book();
    let page = Page::of(&dir.path().join("book"));
    let phone = page.phone();
    let mut told = listen(&page);
    phone.post("/api/concerns", &json!({"key": key(), "words": "bracket loose", "by": "derrickman"})).was(201);
    assert_eq!(told.next().unwrap()["kind"], "concern");
    let begun = std::time::Instant::now();
    page.stop();
    assert!(begun.elapsed() < std::time::Duration::from_secs(4), "{:?}", begun.elapsed());
    assert!(told.next().is_none());
}
