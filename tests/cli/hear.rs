use super::helper::{Folder, good, room, seatsong};

/// Levels in dB of the sections of a written sound.
fn section_levels(path: &std::path::Path, sections: &serde_json::Value) -> Vec<f64> {
    let mut wav = hound::WavReader::open(path).unwrap();
    let rate = f64::from(wav.spec().sample_rate);
    let samples: Vec<f64> = wav.samples::<i32>().map(|s| f64::from(s.unwrap()) / 8_388_608.0).collect();
    sections
        .as_array()
        .unwrap()
        .iter()
        .map(|s| {
            #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a time within the sound")]
            let at = |name: &str| (s[name].as_f64().unwrap() * rate) as usize;
            let part = &samples[at("start_s")..at("end_s").min(samples.len())];
            10.0 * (part.iter().map(|x| x * x).sum::<f64>() / part.len() as f64).log10()
        })
        .collect()
}

#[test]
fn the_wash_is_louder_in_now_than_in_healthy() {
    let here = Folder::new();
    let out = here.path().join("change.wav");
    let goods: Vec<String> = good(2).into_iter().filter(|g| g != "--good").collect();
    // One good clip: all from 2 kHz up is heard, all round the turn. Six: the changed band and arc alone.
    for (count, least_db) in [(1, 0.5), (6, 2.0)] {
        let mut args =
            vec!["hear", "today/m2.wav", "--json", "--out", out.to_str().unwrap(), "--module", "2", "--against"];
        args.extend(goods[..count].iter().map(String::as_str));
        let ran = seatsong(room(), &args).ended(0);
        let all = ran.json();
        let what: Vec<&str> = all["sections"].as_array().unwrap().iter().map(|s| s["what"].as_str().unwrap()).collect();
        assert_eq!(what, ["healthy", "now", "healthy", "now"], "{ran}");
        let levels = section_levels(&out, &all["sections"]);
        assert!(
            levels[1] > levels[0] + least_db && levels[3] > levels[2] + least_db,
            "{count} good: {levels:?}\n{ran}"
        );
    }
}

#[test]
fn a_chosen_band_and_arc_are_heard() {
    let here = Folder::new();
    let out = here.path().join("x.wav");
    let out = out.to_str().unwrap();
    let base = ["hear", "today/m2.wav", "--against", "round-01/m2.wav", "--out", out, "--json"];
    let with = |more: &[&str]| {
        let mut args = base.to_vec();
        args.extend(more);
        seatsong(room(), &args)
    };
    let ran = with(&["--band", "1000-2500", "--arc", "340-40", "--strokes", "2"]).ended(0);
    assert_eq!(ran.json()["band_hz"], serde_json::json!([1000, 2500]));
    assert_eq!(ran.json()["arc_deg"], serde_json::json!([340.0, 40.0]));
    assert_eq!(ran.json()["sections"][0]["strokes"], 2);
    with(&["--band", "2500-1000"]).ended(2).says("the lower first");
    with(&["--arc", "20"]).ended(2).says("two angles");
}

#[test]
fn a_recording_is_never_written_over() {
    let here = Folder::new();
    let now = here.path().join("now.wav");
    std::fs::copy(room().join("today/m2.wav"), &now).unwrap();
    let now = now.to_str().unwrap();
    seatsong(room(), &["hear", now, "--against", "round-01/m2.wav", "--out", now]).ended(1).says("another name");
}

#[test]
fn a_clip_without_a_stroke_is_told() {
    let here = Folder::new();
    let bad = here.write("bad.wav", "no sound");
    seatsong(room(), &["hear", &bad, "--against", "round-01/m2.wav"]).ended(1).says("bad.wav");
    seatsong(room(), &["hear", "today/m2.wav", "--against", &bad]).ended(1).says("none of the good clips");
}
