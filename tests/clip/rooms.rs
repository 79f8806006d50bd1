use std::path::Path;

use seatsong::inside::clip::{Code, Effect, ReadSettings, read};
use seatsong::inside::sample::{Condition, Room, RoomSettings};

use crate::helper::{Folder, found, read_default};

/// Honest clips of the made-up rooms must come through clean: a reader that cries wolf is switched off.
#[test]
fn honest_clips_of_every_room_and_condition_are_clean() {
    let folder = Folder::new();
    let mut told = Vec::new();
    for seed in 100..103 {
        let room = Room::new(seed, &RoomSettings::drawn(seed)).unwrap();
        for condition in Condition::ALL {
            let recorded = room.record(&condition.round(seed + 7, &room).clip(2)).unwrap();
            let rate_hz = recorded.sample_rate_hz.round() as u32;
            let path = folder.wav("clip.wav", rate_hz, std::slice::from_ref(&recorded.samples));
            let clip = read_default(&path);
            assert_eq!(clip.samples.len(), recorded.samples.len());
            // A clank that passes full scale is clipped in truth; that is worth a word, not a refusal.
            let over = recorded.samples.iter().any(|x| x.abs() >= 1.0);
            let honest = found(&clip).iter().all(|&f| over && f == (Code::Clipped, Effect::Warn));
            if !honest {
                told.push((seed, condition.name(), clip.findings));
            }
        }
    }
    assert!(told.is_empty(), "{told:#?}");
}

fn shipped(name: &str) -> std::path::PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("samples/clips/pumpA").join(name)
}

#[test]
fn the_shipped_clips_are_read_as_what_they_are() {
    assert_eq!(found(&read_default(&shipped("clipped/m1.wav")))[0], (Code::Clipped, Effect::Refuse));
    for name in ["good/m1.wav", "washing/m1.wav", "good-with-pulse/m1.wav"] {
        let clip = read_default(&shipped(name));
        assert!(clip.findings.is_empty(), "{name}: {:?}", clip.findings);
    }
    let with_pulse = shipped("good-with-pulse/m1.wav");
    let marked = read(&with_pulse, &ReadSettings { pulse: Some(2), ..ReadSettings::default() }).unwrap();
    assert!(marked.pulse.is_some() && marked.findings.is_empty());
    // Asked for the wrong way round.
    let wrong = read(&with_pulse, &ReadSettings { channel: Some(2), ..ReadSettings::default() }).unwrap();
    assert_eq!(found(&wrong)[0], (Code::WrongChannel, Effect::Refuse));
}
