use super::helper::{Folder, seatsong};

const TINY: &str = r#"
rig = "Invented rig Small Dunlin"
seed = 3
[recording]
duration_s = 3.0
sample_rate_hz = 8000.0
[[pump]]
name = "one"
seed = 9
nominal_spm = 80.0
[[pump.round]]
modules = [1]
[[pump.round]]
name = "today"
role = "now"
modules = [1]
"#;

#[test]
fn clips_of_a_scenario_are_written_with_their_list() {
    let here = Folder::new();
    here.write("tiny.toml", TINY);
    let ran = seatsong(here.path(), &["sample", "tiny.toml", "--out", "a"]).ended(0);
    assert!(ran.out.contains("2 made-up clips"), "{ran}");
    let list = std::fs::read_to_string(here.path().join("a/one/clips.csv")).unwrap();
    assert!(list.starts_with("file,role,round,spm,pressure,module,pulse\nround-01/m1.wav,good,"), "{list}");
    let ran = seatsong(here.path(), &["sample", "tiny.toml", "--out", "b", "--json"]).ended(0);
    assert_eq!(ran.json()["clips"].as_array().unwrap().len(), 2);
    let bytes = |dir: &str| std::fs::read(here.path().join(dir).join("one/today/m1.wav")).unwrap();
    assert_eq!(bytes("a"), bytes("b"));
}

#[test]
fn a_scenario_that_makes_no_sense_says_what() {
    let here = Folder::new();
    let bad = here.write("bad.toml", TINY.replace("modules = [1]", "modules = [9]"));
    seatsong(here.path(), &["sample", &bad, "--out", "a"]).ended(1).says("module 9");
    seatsong(here.path(), &["sample", "none.toml", "--out", "a"]).ended(1).says("none.toml");
}
