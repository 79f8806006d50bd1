use serde_json::Value;

use super::helper::{Folder, compare, good, room, seatsong};

/// A WAV header and these 16-bit samples.
fn wav(samples: &[i16]) -> Vec<u8> {
    let mut bytes = std::io::Cursor::new(Vec::new());
    let spec = hound::WavSpec {
        channels: 1,
        sample_rate: 16_000,
        bits_per_sample: 16,
        sample_format: hound::SampleFormat::Int,
    };
    let mut writer = hound::WavWriter::new(&mut bytes, spec).unwrap();
    samples.iter().for_each(|s| writer.write_sample(*s).unwrap());
    writer.finalize().unwrap();
    bytes.into_inner()
}

/// Bad files by name, each with a word that its reason must hold.
fn bad_files(here: &Folder) -> Vec<(String, &'static str)> {
    // xorshift: a hiss without a stroke.
    let mut x = 88_172_645_463_325_252_u64;
    let hiss: Vec<i16> = (0..12 * 16_000)
        .map(|_| {
            x ^= x << 13;
            x ^= x >> 7;
            x ^= x << 17;
            i16::try_from(x % 8000).unwrap() - 4000
        })
        .collect();
    vec![
        (here.write("text.wav", "this is no sound, it is a letter home"), "not a recording"),
        (here.write("empty.wav", ""), "empty"),
        (here.write("header.wav", &wav(&[])[..44]), "no samples"),
        (here.write("one.wav", wav(&[7])), "s"),
        (here.write("short.wav", wav(&[7; 9000])), "s"),
        (here.write("silent.wav", wav(&[0; 160_000])), "silent"),
        (here.write("hiss.wav", wav(&hiss)), "rhythm"),
        (here.write("half.wav", &wav(&hiss)[..30]), "half.wav"),
        (here.write("table.csv", "time,x\n0.0,one\n0.1,two\n"), "table.csv"),
        (here.path().to_str().unwrap().to_owned(), "folder"),
        (here.path().join("gone.wav").to_str().unwrap().to_owned(), "gone.wav"),
    ]
}

#[test]
fn a_bad_now_file_is_unjudged_with_its_reason_and_the_others_are_judged() {
    let here = Folder::new();
    let bad = bad_files(&here);
    let mut rest = vec!["--json", "--now"];
    rest.extend(bad.iter().map(|b| b.0.as_str()));
    rest.push("well/m1.wav");
    let ran = compare(&good(1), &rest).ended(0);
    let all = ran.json();
    let clips = all["clips"].as_array().unwrap();
    assert_eq!(clips.len(), bad.len() + 1);
    for ((file, word), clip) in bad.iter().zip(clips) {
        assert_eq!(clip["file"].as_str(), Some(file.as_str()));
        assert_eq!(clip["verdict"], "unjudged", "{file}\n{ran}");
        assert_eq!(clip["departure"], Value::Null);
        let reason = clip["reason"].as_str().unwrap();
        assert!(reason.contains(word), "{file}: wanted `{word}` in: {reason}");
    }
    assert_eq!(clips[bad.len()]["verdict"], "steady", "{ran}");
    // In words, too.
    let ran = compare(&good(1), &rest[1..]).ended(0);
    assert!(ran.out.contains("UNJUDGED") && !ran.err.contains("panicked"), "{ran}");
}

#[test]
fn all_now_files_bad_is_still_an_answer() {
    let ran = compare(&good(1), &["--json", "--now", "gone.wav"]).ended(0);
    assert_eq!(ran.json()["clips"][0]["verdict"], "unjudged", "{ran}");
    assert_eq!(ran.json()["baseline"]["clips"], 6, "{ran}");
}

#[test]
fn a_bad_good_file_stops_unless_it_may_be_skipped() {
    let here = Folder::new();
    for (file, word) in bad_files(&here).into_iter().filter(|b| !b.1.contains("folder")) {
        let mut goods = good(1);
        goods.extend(["--good".into(), file.clone()]);
        compare(&goods, &["--now", "well/m1.wav"]).ended(1).says(word).says("--skip-bad");
    }
    let mut goods = good(1);
    goods.extend(["--good".into(), here.path().join("empty.wav").to_str().unwrap().to_owned()]);
    let ran = compare(&goods, &["--now", "well/m1.wav", "--skip-bad", "--json"]).ended(0);
    assert_eq!(ran.json()["baseline"]["clips"], 6, "{ran}");
    assert!(ran.json()["skipped_good"][0]["why"].as_str().unwrap().contains("empty"), "{ran}");
}

#[test]
fn two_good_clips_are_too_few() {
    compare(&good(1)[..4], &["--now", "well/m1.wav"]).ended(1).says("2 usable good clip").says("at least 3");
}

#[test]
fn a_console_reading_far_off_never_gives_a_wrong_verdict() {
    for spm in ["5", "30", "150", "400"] {
        let ran = compare(&good(1), &["--now", "well/m1.wav", "--spm", spm, "--json"]).ended(0);
        let clip = &ran.json()["clips"][0];
        let verdict = clip["verdict"].as_str().unwrap();
        assert!(verdict == "unjudged" || verdict == "steady", "--spm {spm}\n{ran}");
        if verdict == "unjudged" {
            assert!(!clip["reason"].as_str().unwrap().is_empty());
        }
    }
}

#[test]
fn good_names_that_match_nothing_are_told() {
    let here = Folder::new();
    let now = room().join("well/m1.wav");
    let now = now.to_str().unwrap();
    seatsong(here.path(), &["compare", "--good", "*.wav", "--now", now]).ended(1).says("no file has such a name");
    seatsong(here.path(), &["compare", "--good", ".", "--now", now]).ended(1).says("no recordings in this folder");
}

#[test]
fn a_picture_into_a_folder_that_is_not_there_fails_after_the_words() {
    let ran = compare(&good(1), &["--now", "well/m1.wav", "--picture", "no/such/out.png"]).ended(1).says("out.png");
    assert!(ran.out.contains("good runs"), "{ran}");
}
