use super::helper::{Folder, seatsong};

#[test]
fn the_demo_finds_the_washing_valve_and_writes_its_note() {
    let here = Folder::new();
    std::fs::create_dir(here.path().join("d")).unwrap();
    here.write("d/mine.txt", "a file of the user");
    let ran = seatsong(here.path(), &["demo", "d"]).ended(0);
    assert!(ran.out.trim_end().lines().last().unwrap().contains("note.html"), "{ran}");
    let read = |name: &str| std::fs::read_to_string(here.path().join("d").join(name)).unwrap();
    assert_eq!(read("mine.txt"), "a file of the user");
    let note = read("note.html");
    assert!(note.contains("data:image/png;base64,") && !note.contains("http://"), "the note stands alone");
    let verdicts: serde_json::Value = serde_json::from_str(&read("pumpA.json")).unwrap();
    let clips = verdicts["clips"].as_array().unwrap();
    let of = |m: u64| clips.iter().find(|c| c["module"] == m).unwrap();
    assert!(["drifting", "departed"].contains(&of(2)["verdict"].as_str().unwrap()), "{verdicts:#}");
    assert_eq!(of(2)["half"], "suction", "{verdicts:#}");
    for m in [1, 3] {
        assert!(of(2)["departure"].as_f64() > of(m)["departure"].as_f64());
    }
    assert!(here.path().join("d/pictures/pumpA-m2.png").exists());
    let other: serde_json::Value = serde_json::from_str(&read("pumpB.json")).unwrap();
    assert!(other["clips"].as_array().unwrap().iter().all(|c| c["verdict"] == "steady"), "{other:#}");
}
