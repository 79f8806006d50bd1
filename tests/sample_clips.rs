//! The clips shipped in `samples/clips` are exactly what the maker makes of `samples/shipped.toml`.

use seatsong::inside::sample::Scenario;
use std::path::{Path, PathBuf};

fn here(path: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join(path)
}

fn files_under(folder: &Path, out: &mut Vec<PathBuf>) {
    for entry in std::fs::read_dir(folder).expect("samples/clips can be listed") {
        let path = entry.expect("an entry can be read").path();
        if path.is_dir() { files_under(&path, out) } else { out.push(path) }
    }
}

#[test]
fn shipped_clips_are_remade_bit_for_bit() {
    let scenario = Scenario::read(&here("samples/shipped.toml")).expect("shipped.toml reads");
    let folder = tempfile::tempdir().expect("a temporary folder");
    let made = scenario.make(folder.path(), &|| ()).expect("the clips can be made");
    for clip in &made {
        let new = std::fs::read(folder.path().join(&clip.plan.file)).expect("a made clip");
        let old = std::fs::read(here("samples/clips").join(&clip.plan.file)).expect("a shipped clip");
        assert!(
            new == old,
            "{}: the maker no longer makes the shipped bytes; if that is meant, run \
             `seatsong sample samples/shipped.toml --out samples/clips` and say so in CHANGELOG",
            clip.plan.file.display()
        );
    }
    let list = Path::new("pumpA/clips.csv");
    assert_eq!(
        std::fs::read_to_string(folder.path().join(list)).expect("a made list"),
        std::fs::read_to_string(here("samples/clips").join(list)).expect("a shipped list"),
    );
}

#[test]
fn every_shipped_clip_belongs_to_the_scenario_and_all_are_small() {
    let scenario = Scenario::read(&here("samples/shipped.toml")).expect("shipped.toml reads");
    let rooms = scenario.rooms().expect("rooms");
    let planned: Vec<PathBuf> =
        scenario.plan(&rooms).expect("a plan").into_iter().map(|c| here("samples/clips").join(c.file)).collect();
    let mut found = Vec::new();
    files_under(&here("samples/clips"), &mut found);
    let mut bytes = 0;
    for file in &found {
        bytes += file.metadata().expect("a size").len();
        let is_list = file.ends_with("pumpA/clips.csv");
        assert!(is_list || planned.contains(file), "{} is not in shipped.toml", file.display());
    }
    assert!(bytes < 8_000_000, "{bytes} bytes in samples/clips");
}

#[test]
fn the_demo_scenario_has_one_washing_discharge_valve() {
    let scenario =
        Scenario::parse(seatsong::inside::sample::DEMO, Path::new("samples/demo.toml")).expect("demo.toml reads");
    let rooms = scenario.rooms().expect("rooms");
    let plan = scenario.plan(&rooms).expect("a plan");
    assert_eq!(scenario.pumps.len(), 2);
    assert_eq!(plan.len(), 54, "two pumps, eight good rounds and one of today, three modules");
    assert_eq!(plan.iter().filter(|c| c.spec.pulse).count(), 6, "one marked good clip a module");
    let sick: Vec<_> = plan.iter().filter(|c| c.spec.fault.is_some()).collect();
    assert_eq!(sick.len(), 3, "the sick module is heard at all three spots of pump A");
    assert!(sick.iter().all(|c| c.round == "today" && c.pump == 0 && c.spec.fault_module == 2));
    for clip in &plan {
        let strokes = clip.spec.spm / 60.0 * clip.spec.duration_s;
        assert!(strokes >= 30.0, "{}: {strokes} strokes", clip.file.display());
    }
}
