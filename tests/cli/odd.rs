use super::helper::{Folder, compare, good, odd, room, seatsong};

/// Rows of a list: six good rounds of modules 1 and 2, and today's with one healthy and one washing clip.
fn rows(extra: &str) -> String {
    let good = (1..=6).flat_map(|r| (1..=2).map(move |m| format!("round-{r:02}/m{m}.wav,good,r{r},{m}\n")));
    let good: String = good.collect();
    format!("file,role,round,module\n{good}{extra}well/m1.wav,now,t,1\ntoday/m2.wav,now,t,2\n")
}

#[test]
fn no_clip_whatever_is_in_it_keeps_the_others_from_their_verdicts() {
    let here = Folder::new();
    let odd = odd::clips(&room().join("well/m1.wav"), here.path(), "");
    let listed = |role: &str, round: &str| -> String {
        odd.iter().map(|p| format!("{},{role},{round},1\n", p.display())).collect()
    };
    std::fs::write(room().join("plain.csv"), rows("")).unwrap();
    std::fs::write(room().join("odd-now.csv"), rows(&listed("now", "t"))).unwrap();
    std::fs::write(room().join("odd-good.csv"), rows(&listed("good", "r7"))).unwrap();
    let judged = |list: &str| {
        let ran = seatsong(room(), &["compare", "--list", list, "--skip-bad", "--json"]).ended(0);
        assert!(!ran.err.contains("panicked"), "{ran}");
        ran.json()["clips"].as_array().unwrap().clone()
    };
    let plain = judged("plain.csv");
    let with = judged("odd-now.csv");
    assert_eq!(with.len(), odd.len() + 2);
    assert_eq!(with[odd.len()..], plain[..]);
    for clip in &with[..odd.len()] {
        assert!(clip["departure"].is_number() || !clip["reason"].as_str().unwrap().is_empty(), "{clip:#}");
    }
    let reason = |name: &str| {
        let clip = with.iter().find(|c| c["file"].as_str().unwrap().ends_with(name)).unwrap();
        clip["reason"].as_str().unwrap_or_else(|| panic!("{clip:#}")).to_owned()
    };
    for name in ["/200-hz.wav", "/500-hz.wav", "/500-hz.csv"] {
        assert!(reason(name).contains("samples a second"), "{name}: {}", reason(name));
    }
    // As good clips they spoil nothing either: what can't be used is left out, and what carries fewer bands.
    let among_good = judged("odd-good.csv");
    assert_eq!(among_good.iter().map(|c| &c["verdict"]).collect::<Vec<_>>(), ["steady", "departed"]);
    // The same without a list.
    let mut rest = vec!["--json", "--now"];
    let names: Vec<String> = odd.iter().map(|p| p.display().to_string()).collect();
    rest.extend(names.iter().map(String::as_str));
    rest.push("well/m1.wav");
    let alone = compare(&good(1), &rest).ended(0).json();
    assert_eq!(alone["clips"][odd.len()]["verdict"], "steady");
    // And where a machine has no stroke.
    rest.push("--rotating");
    let rotating = compare(&good(1), &rest).ended(0).json();
    assert!(rotating["clips"][odd.len()]["departure"].is_number(), "{rotating:#}");
}

#[test]
fn look_says_of_a_low_rate_that_it_carries_no_verdict() {
    let here = Folder::new();
    odd::clips(&room().join("well/m1.wav"), here.path(), "");
    let ran = seatsong(here.path(), &["look", "500-hz.wav", "2400-hz.wav", "text.wav"]).ended(1);
    assert!(ran.out.contains("narrow-band (no verdict): 500 samples a second carry"), "{ran}");
    assert!(!ran.out.contains("nothing to remark"), "{ran}");
}
