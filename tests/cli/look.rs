use super::helper::{Folder, room, seatsong};

#[test]
fn a_clip_is_described_in_words_and_in_json() {
    let ran = seatsong(room(), &["look", "round-03/m1.wav", "--pulse", "2", "--spm", "88"]).ended(0);
    for want in ["round-03/m1.wav", "WAV 16-bit", "16 kHz", "2 channels", "re full scale", "SPM", "crank angle known"] {
        assert!(ran.out.contains(want), "wanted {want}\n{ran}");
    }
    let ran = seatsong(room(), &["look", "round-03/m1.wav", "round-01/m2.wav", "--pulse", "2", "--json"]).ended(0);
    let all = ran.json();
    assert_eq!(all["schema"], "seatsong.look/1");
    let clip = &all["clips"][0];
    assert_eq!(clip["file"], "round-03/m1.wav");
    assert_eq!((clip["channels"].as_u64(), clip["sample_rate_hz"].as_u64()), (Some(2), Some(16_000)));
    assert!((clip["length_s"].as_f64().unwrap() - 12.0).abs() < 0.05, "{ran}");
    assert!((clip["spm"].as_f64().unwrap() - 88.0).abs() < 0.9, "{ran}");
    assert!(clip["lock"].as_f64().unwrap() > 0.5 && clip["strokes"].as_u64().unwrap() >= 15, "{ran}");
    assert_eq!(clip["angle"], "absolute");
    assert_eq!(clip["level_re"], "full scale");
    assert!(clip["bands"].as_array().unwrap().iter().all(|b| b["level_db"].is_number() && b["band_hz"][1].is_number()));
    assert!(clip["quality"].is_array());
    assert_eq!(all["clips"][1]["angle"], "relative");
}

#[test]
fn a_calibrated_level_says_what_it_refers_to() {
    let json = |more: &[&str]| {
        let mut args = vec!["look", "round-01/m1.wav", "--json"];
        args.extend(more);
        seatsong(room(), &args).ended(0).json()["clips"][0].clone()
    };
    let plain = json(&[]);
    // 5 V full scale at 100 mV/g: full scale is 50 g = 490.3 m/s2, 53.81 dB re 1 m/s2.
    let measured = json(&["--volts-full-scale", "5", "--mv-per-g", "100"]);
    assert_eq!(measured["level_re"], "1 m/s2");
    let difference = measured["level_db"].as_f64().unwrap() - plain["level_db"].as_f64().unwrap();
    assert!((difference - 53.81).abs() < 0.02, "{difference}");
    // A pump is no sound calibrator.
    let args = ["look", "round-01/m1.wav", "--calibrator", "round-02/m1.wav"];
    seatsong(room(), &args).ended(1).says("can't serve as calibrator");
}

#[test]
fn pictures_are_written_one_a_clip() {
    let here = Folder::new();
    let out = here.path().join("look.svg");
    let out = out.to_str().unwrap();
    seatsong(room(), &["look", "round-01/m1.wav", "--picture", out]).ended(0).says("look.svg");
    assert!(std::fs::read_to_string(out).unwrap().contains("SPM"));
    seatsong(room(), &["look", "round-01/m1.wav", "today/m2.wav", "--picture", out]).ended(0);
    assert!(here.path().join("look-1.svg").exists() && here.path().join("look-2.svg").exists());
}

#[test]
fn an_unreadable_clip_ends_with_1_and_the_others_are_shown() {
    let here = Folder::new();
    let bad = here.write("bad.wav", "no sound");
    let ran = seatsong(room(), &["look", &bad, "today/m1.wav", "gone.wav"]).ended(1).says("bad.wav").says("gone.wav");
    assert!(ran.out.contains("today/m1.wav") && ran.out.contains("SPM"), "{ran}");
    let ran = seatsong(room(), &["look", &bad, "today/m1.wav", "--json"]).ended(1);
    assert!(ran.json()["clips"][0]["error"].as_str().unwrap().contains("bad.wav"), "{ran}");
    assert!(ran.json()["clips"][1]["spm"].is_number(), "{ran}");
}
