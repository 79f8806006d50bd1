use super::helper::{Folder, room, seatsong};

#[test]
fn a_list_is_judged_by_module_and_comes_back_in_its_own_order() {
    let text = std::fs::read_to_string(room().join("clips.csv")).unwrap();
    let (header, rows) = text.split_once('\n').unwrap();
    // Now rows first and backwards; the files stay relative to the list.
    let mut now: Vec<&str> = rows.lines().filter(|l| l.contains(",now,today,")).collect();
    now.reverse();
    let good: Vec<&str> = rows.lines().filter(|l| l.contains(",good,")).collect();
    let list = format!("{header}\n{}\n{}\n", now.join("\n"), good.join("\n"));
    std::fs::write(room().join("turned.csv"), list).unwrap();

    let elsewhere = Folder::new();
    let list = room().join("turned.csv");
    let ran = seatsong(elsewhere.path(), &["compare", "--list", list.to_str().unwrap(), "--json"]).ended(0);
    let all = ran.json();
    let files: Vec<&str> = all["clips"].as_array().unwrap().iter().map(|c| c["file"].as_str().unwrap()).collect();
    assert_eq!(files, ["today/m3.wav", "today/m2.wav", "today/m1.wav"], "{ran}");
    let modules: Vec<u64> = all["clips"].as_array().unwrap().iter().map(|c| c["module"].as_u64().unwrap()).collect();
    assert_eq!(modules, [3, 2, 1]);
    let baselines = all["baseline"].as_array().unwrap();
    assert_eq!(baselines.len(), 3, "{ran}");
    for b in baselines {
        assert_eq!((b["clips"].as_u64(), b["angle"].as_str()), (Some(6), Some("absolute")), "{ran}");
    }
    assert_eq!(all["clips"][1]["verdict"], "departed", "{ran}");
    assert_eq!(all["clips"][1]["half"], "suction", "{ran}");
    // The neighbours hear it too, but they are not the worst.
    let departure = |k: usize| all["clips"][k]["departure"].as_f64().unwrap();
    assert!(departure(1) > departure(0) && departure(1) > departure(2), "{ran}");
}

#[test]
fn files_not_beside_the_list_are_looked_for_in_the_working_folder() {
    let here = Folder::new();
    let rows: Vec<String> =
        (1..=4).map(|r| format!("round-{r:02}/m1.wav;good;88\n")).chain(["well/m1.wav;now;88\n".into()]).collect();
    let list = here.write("list.csv", format!("file;role;spm\n{}", rows.concat()));
    let ran = seatsong(room(), &["compare", "--list", &list, "--json"]).ended(0);
    assert_eq!(ran.json()["baseline"][0]["clips"], 4, "{ran}");
    assert_eq!(ran.json()["clips"][0]["verdict"], "steady", "{ran}");
}

#[test]
fn a_bad_now_row_is_unjudged_in_its_place_and_a_bad_good_row_stops() {
    let list = |extra: &str| {
        let rows: Vec<String> = (1..=4).map(|r| format!("round-{r:02}/m1.wav,good,r{r},1\n")).collect();
        format!("file,role,round,module\ngone.wav,now,t,1\n{}{extra}well/m1.wav,now,t,1\n", rows.concat())
    };
    std::fs::write(room().join("bad-now.csv"), list("")).unwrap();
    let ran = seatsong(room(), &["compare", "--list", "bad-now.csv", "--json"]).ended(0);
    assert_eq!(ran.json()["clips"][0]["verdict"], "unjudged", "{ran}");
    assert_eq!(ran.json()["clips"][0]["file"], "gone.wav");
    assert_eq!(ran.json()["clips"][1]["verdict"], "steady", "{ran}");
    std::fs::write(room().join("bad-good.csv"), list("lost.wav,good,r9,1\n")).unwrap();
    seatsong(room(), &["compare", "--list", "bad-good.csv"]).ended(1).says("lost.wav").says("--skip-bad");
    let ran = seatsong(room(), &["compare", "--list", "bad-good.csv", "--skip-bad", "--json"]).ended(0);
    assert_eq!(ran.json()["skipped_good"][0]["file"], "lost.wav", "{ran}");
    assert_eq!(ran.json()["baseline"][0]["clips"], 4, "{ran}");
}

#[test]
fn a_list_that_makes_no_sense_says_where() {
    let here = Folder::new();
    let list = here.write("l.csv", "file,role,spm\na.wav,good,72\nb.wav,now,soon\n");
    seatsong(here.path(), &["compare", "--list", &list]).ended(1).says("line 3").says("soon");
    seatsong(here.path(), &["compare", "--list", "none.csv"]).ended(1).says("none.csv");
    let bytes = here.write("noise.csv", [0_u8, 159, 146, 150, 10, 255, 0, 7]);
    seatsong(here.path(), &["compare", "--list", &bytes]).ended(1).says("no column `file`");
}
