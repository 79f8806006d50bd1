use seatsong::inside::baseline::pair;
use seatsong::inside::clip::{ReadSettings, read};
use seatsong::inside::map::{AnalyseSettings, analyse};
use serde_json::Value;

use super::helper::{Folder, compare, good, room, seatsong};

/// Every field of section 7 of the contract, each of its type.
fn check_clip(clip: &Value) {
    let field = |name: &str| clip.get(name).unwrap_or_else(|| panic!("no field {name} in {clip:#}"));
    assert!(field("file").is_string());
    assert!(field("module").is_u64() || field("module").is_null());
    let verdict = field("verdict").as_str().unwrap();
    assert!(["steady", "drifting", "departed", "unjudged"].contains(&verdict), "{verdict}");
    assert!(["discharge", "suction", "both", "unknown"].contains(&field("half").as_str().unwrap()));
    let patterns = ["hiss", "knock", "shifted", "missing", "tone", "all-round", "unclear"];
    assert!(patterns.contains(&field("pattern").as_str().unwrap()));
    assert!(!field("reading").as_str().unwrap().is_empty());
    for name in ["band_hz", "arc_deg"] {
        let span = field(name);
        assert!(span.is_null() || span.as_array().is_some_and(|a| a.len() == 2 && a.iter().all(Value::is_number)));
    }
    assert!(field("excess_db").is_number() || field("excess_db").is_null());
    for finding in field("quality").as_array().unwrap() {
        assert!(finding["code"].is_string() && finding["text"].is_string(), "{finding}");
        assert!(["warn", "refuse"].contains(&finding["effect"].as_str().unwrap()));
    }
    if verdict == "unjudged" {
        assert!(field("departure").is_null() && !field("reason").as_str().unwrap().is_empty());
    } else {
        assert!(field("reason").is_null());
        let departure = field("departure").as_f64().unwrap();
        let of_departure = if departure <= 1.0 {
            "steady"
        } else if departure <= 2.0 {
            "drifting"
        } else {
            "departed"
        };
        assert_eq!(verdict, of_departure);
        let chance = field("false_alarm").as_f64().unwrap();
        assert!((0.0..=1.0).contains(&chance), "{chance}");
        for name in ["spm", "lock", "level_db"] {
            assert!(field(name).is_number(), "{name}: {clip:#}");
        }
        assert!(field("strokes").is_u64());
    }
}

fn check_baseline(baseline: &Value) {
    assert!(baseline["clips"].is_u64());
    let [low, high] = [0, 1].map(|i| baseline["spm"][i].as_f64().unwrap());
    assert!(low <= high);
    assert!(baseline["sample_rate_hz"].is_number());
    assert!(["absolute", "relative"].contains(&baseline["angle"].as_str().unwrap()));
}

#[test]
fn a_washing_module_departs_and_every_field_is_there() {
    let ran = compare(&good(2), &["--now", "today/m2.wav", "--module", "2", "--pulse", "2", "--json"]).ended(0);
    let all = ran.json();
    assert_eq!(all["schema"], "seatsong.verdict/1");
    check_baseline(&all["baseline"]);
    assert_eq!(all["baseline"]["clips"], 6);
    assert_eq!(all["baseline"]["angle"], "absolute");
    assert_eq!(all["baseline"]["sample_rate_hz"], 16000);
    let clip = &all["clips"][0];
    check_clip(clip);
    assert_eq!(clip["file"], "today/m2.wav");
    assert_eq!(clip["module"], 2);
    assert_eq!(clip["verdict"], "departed", "{ran}");
    // The discharge valve leaks in the suction half.
    assert_eq!(clip["half"], "suction", "{ran}");
    assert_eq!(clip["pattern"], "hiss", "{ran}");
    assert!((clip["spm"].as_f64().unwrap() - 88.0).abs() < 0.9, "{ran}");
    assert!(!ran.out.contains("NaN") && !ran.out.contains("inf"), "{ran}");
}

#[test]
fn the_order_of_the_fields_is_the_contracts() {
    let ran = compare(&good(2), &["--now", "today/m2.wav", "--module", "2", "--json"]).ended(0);
    let all = ran.json();
    let keys = |v: &Value| v.as_object().unwrap().keys().cloned().collect::<Vec<_>>().join(" ");
    assert!(keys(&all).starts_with("schema baseline clips"), "{}", keys(&all));
    assert_eq!(
        keys(&all["clips"][0]),
        "file module verdict departure false_alarm excess_db band_hz arc_deg half pattern reading spm strokes lock level_db \
         quality reason hiss_sd heard_from"
    );
}

#[test]
fn a_healthy_module_is_steady_in_words_and_the_status_is_0() {
    let ran = compare(&good(1), &["--now", "well/m1.wav", "--spm", "88"]).ended(0);
    assert!(ran.out.contains("sounds like its good runs"), "{ran}");
    assert!(ran.out.contains("Good runs: 6 clips"), "{ran}");
    assert!(!ran.out.contains('\u{1b}'), "colour without a terminal\n{ran}");
    assert!(ran.err.is_empty(), "{ran}");
}

#[test]
fn without_a_mark_angles_are_relative_and_the_half_unknown() {
    let ran = compare(&good(2), &["--now", "today/m2.wav", "--json"]).ended(0);
    let all = ran.json();
    assert_eq!(all["baseline"]["angle"], "relative");
    assert_eq!(all["clips"][0]["half"], "unknown");
    assert_eq!(all["clips"][0]["module"], Value::Null);
}

#[test]
fn two_runs_print_the_same_bytes() {
    let run = || compare(&good(2), &["--now", "today/m2.wav", "well/m1.wav", "--module", "2", "--json"]).ended(0).out;
    assert_eq!(run(), run());
}

#[test]
fn a_folder_a_glob_and_single_names_are_the_same_good_clips() {
    let here = Folder::new();
    for r in 1..=6 {
        let from = room().join(format!("round-{r:02}/m1.wav"));
        std::fs::copy(from, here.path().join(format!("{r}.wav"))).unwrap();
    }
    std::fs::copy(room().join("well/m1.wav"), here.path().join("now.wav")).unwrap();
    // What else lies in such a folder is not taken for a recording.
    here.write("notes.txt", "windy");
    here.write(".6.wav", "not a recording");
    here.write("clips.csv", "file,role\n1.wav,good\n");
    let names = ["1.wav", "2.wav", "3.wav", "4.wav", "5.wav", "6.wav"];
    let mut single = vec!["compare", "--json", "--now", "now.wav", "--good"];
    single.extend(names);
    let single = seatsong(here.path(), &single).ended(0);
    let glob = seatsong(here.path(), &["compare", "--json", "--now", "now.wav", "--good", "[1-6].wav"]).ended(0);
    assert_eq!(single.out, glob.out);
    let folder = seatsong(here.path(), &["compare", "--json", "--now", "now.wav", "--good", "."]).ended(0);
    assert_eq!(single.json()["clips"], folder.json()["clips"]);
    assert!(folder.err.contains("now.wav: is to be judged"), "{folder}");
}

#[test]
fn a_clip_named_twice_is_one_good_clip() {
    let twice = ["--good", "round-01/m1.wav", "round-01/m1.wav", "./round-02/m1.wav"].map(str::to_owned);
    compare(&twice, &["--now", "well/m1.wav"]).ended(1).says("2 usable good clip").says("more than once");
}

#[test]
fn a_picture_is_drawn_of_one_clip_and_of_each_of_several() {
    let here = Folder::new();
    let path = |name: &str| here.path().join(name).to_str().unwrap().to_owned();
    compare(&good(2), &["--now", "today/m2.wav", "--picture", &path("one.png")]).ended(0).says("one.png");
    assert!(std::fs::read(path("one.png")).unwrap().starts_with(b"\x89PNG"));
    let ran = compare(
        &good(2),
        &["--now", "well/m1.wav", "nowhere.wav", "today/m2.wav", "--module", "2", "--picture", &path("all.svg")],
    )
    .ended(0);
    for name in ["all.svg", "all-1.svg", "all-3.svg"] {
        let text = std::fs::read_to_string(path(name)).unwrap();
        assert!(text.contains("<svg"), "{name}\n{ran}");
    }
    assert!(!here.path().join("all-2.svg").exists(), "{ran}");
}

/// Taps of a person whose hand is at most 35 ms early or late, at these times in seconds.
fn tapped(at_s: impl Iterator<Item = f64>) -> String {
    let scatter = [0.02, -0.03, 0.01, 0.035, -0.015, 0.0, -0.025];
    let kept = at_s.enumerate().filter(|(k, _)| k % 7 != 3);
    kept.map(|(k, t)| format!("{:.3}\n", (t + scatter[k % scatter.len()]).max(0.0))).collect()
}

/// Times of a clip at which the rod of module 1 is at its crank end, by the pulses of round 3.
fn crank_ends(file: &str) -> Vec<f64> {
    let analysis = |file: &str, pulse| {
        let clip = read(&room().join(file), &ReadSettings { pulse, ..ReadSettings::default() }).unwrap();
        analyse(&clip, &AnalyseSettings { keep_phase: true, ..AnalyseSettings::default() })
    };
    let clip = analysis(file, None);
    let tied = pair(&analysis("round-03/m2.wav", Some(2)), &clip).unwrap();
    let phase = clip.takes[tied.take].phase.as_ref().unwrap();
    let turn = |p: f64| (p - tied.zero_turns).floor();
    let ends = phase.windows(2).enumerate().filter(|(_, w)| turn(w[0]) < turn(w[1]));
    ends.map(|(k, _)| clip.first_centre_s + k as f64 / 200.0).collect()
}

#[test]
fn taps_find_their_clip_propose_the_half_and_a_second_clip_confirms_it() {
    let here = Folder::new();
    let file = here.write("taps.txt", tapped(crank_ends("round-03/m2.wav").into_iter()));
    let named = format!("round-03/m2.wav={file}");
    let base = ["--now", "today/m2.wav", "--module", "2", "--json", "--taps"];
    for given in [named.as_str(), file.as_str()] {
        let mut rest = base.to_vec();
        rest.push(given);
        let ran = compare(&good(2), &rest).ended(0);
        assert_eq!(ran.json()["baseline"]["angle"], "relative", "{ran}");
        let clip = &ran.json()["clips"][0];
        assert_eq!((&clip["half"], &clip["probable_half"]), (&"unknown".into(), &"suction".into()), "{ran}");
        assert!(clip["reading"].as_str().unwrap().starts_with("Hiss, probably in the suction half"), "{ran}");
    }
    let second = here.write("second.txt", tapped(crank_ends("round-05/m2.wav").into_iter()));
    let second = format!("round-05/m2.wav={second}");
    let mut rest = base.to_vec();
    rest.extend([named.as_str(), "--taps", &second]);
    let ran = compare(&good(2), &rest).ended(0);
    assert_eq!(ran.json()["baseline"]["angle"], "absolute", "{ran}");
    let clip = &ran.json()["clips"][0];
    assert_eq!((&clip["half"], &clip["probable_half"]), (&"suction".into(), &Value::Null), "{ran}");
    // Today's clip tapped for the module he stands at.
    let late = |t: f64| t + 60.0 / 88.0 / 3.0;
    let wrong = here.write("today.txt", tapped(crank_ends("today/m2.wav").into_iter().map(late)));
    let wrong = format!("today/m2.wav={wrong}");
    rest.extend(["--taps", &wrong]);
    let told = compare(&good(2), &rest).ended(0);
    assert_eq!(told.json()["clips"][0]["departure"], clip["departure"], "{told}");
    let quality = told.json()["clips"][0]["quality"].to_string();
    assert!(quality.contains("your taps fit module 2: the angle of the good runs was used"), "{told}");
    rest.retain(|a| *a != "--json");
    compare(&good(2), &rest).ended(0).tells("taps-off");
    let strange = here.write("wrong.txt", "1.0\n2.9\n3.1\n5.77\n6.1\n7.9\n8.3\n9.05\n");
    let mut rest = base.to_vec();
    rest.push(&strange);
    compare(&good(2), &rest).ended(1).says("follow no clip's strokes");
}

#[test]
fn rotating_needs_no_stroke() {
    let ran = compare(&good(1), &["--now", "well/m1.wav", "--rotating", "--json"]).ended(0);
    let clip = &ran.json()["clips"][0];
    assert_ne!(clip["verdict"], "unjudged", "{ran}");
    assert_eq!(clip["half"], "unknown");
}

#[test]
fn wrong_usage_ends_with_2() {
    for (rest, want) in [
        (vec!["--now", "well/m1.wav", "--picture", "x.jpg"], "must end in .png or .svg"),
        (vec!["--now", "well/m1.wav", "--module", "4"], "not one of the pump's"),
        (vec!["--now", "well/m1.wav", "--order", "1,2,2"], "names a module twice"),
        (vec!["--now", "well/m1.wav", "--order", "1,2", "--modules", "3"], "--modules says 3"),
        (vec!["--now", "well/m1.wav", "--spm", "0"], "from 5 to 400"),
        (vec!["--now", "well/m1.wav", "--pressure", "much"], "is no pressure"),
        (vec!["--now", "well/m1.wav", "--pulse", "0"], "0"),
        (vec!["--now", "well/m1.wav", "--volts-full-scale", "5"], "--mv-per-g"),
        (vec!["--now", "well/m1.wav", "--list", "clips.csv"], "cannot be used with"),
        (vec![], "--now"),
    ] {
        compare(&good(1), &rest).ended(2).says(want);
    }
    seatsong(room(), &["compare"]).ended(2);
    seatsong(room(), &["listen"]).ended(2);
}
