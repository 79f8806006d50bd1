use crate::helper::{odd, room, seatsong, with_pump, with_rounds};

#[test]
fn a_round_with_one_of_each_odd_clip_is_judged_and_handed_over() {
    let dir = with_rounds();
    seatsong(dir.path(), &["baseline", "accept", "1", "2", "3", "4", "5", "--by", "derrickman"]).ended(0);
    let plain = seatsong(dir.path(), &["verdict", "6", "--json"]).ended(0).json();
    let usb = dir.path().join("usb");
    std::fs::create_dir(&usb).unwrap();
    let odd = odd::clips(&room().join("today/m1.wav"), &usb, "m1-");
    let ran = seatsong(dir.path(), &["import", "usb", "--round", "6", "--json"]).ended(1);
    let (added, refused) =
        (ran.json()["added"].as_array().unwrap().len(), ran.json()["failed"].as_array().unwrap().len());
    assert_eq!(added + refused, odd.len(), "{ran}");
    for name in ["m1-200-hz.wav", "m1-500-hz.wav", "m1-500-hz.csv"] {
        assert!(ran.err.contains(&format!("{name}: not taken in: ")), "{name}\n{ran}");
    }
    for name in ["m1-8000-hz.wav", "m1-4000-hz.wav", "m1-text.wav"] {
        assert!(!ran.err.contains(name), "{name}\n{ran}");
    }
    let with = seatsong(dir.path(), &["verdict", "6", "--json"]).ended(0).json();
    let (before, after) = (plain["clips"].as_array().unwrap(), with["clips"].as_array().unwrap());
    assert_eq!(after.len(), before.len() + added);
    for clip in before {
        assert!(after.contains(clip), "{clip:#}\n{with:#}");
    }
    for clip in after {
        assert!(clip["departure"].is_number() || !clip["reason"].as_str().unwrap().is_empty(), "{clip:#}");
    }
    seatsong(dir.path(), &["handover", "--out", "note"]).ended(0);
    // Accepted as good, it spoils no later round.
    seatsong(dir.path(), &["baseline", "accept", "6", "--module", "1", "--by", "derrickman"]).ended(0);
    seatsong(dir.path(), &["baseline", "show"]).ended(0);
    let later = seatsong(dir.path(), &["verdict", "7", "--json"]).ended(0).json();
    let clips = later["clips"].as_array().unwrap();
    assert!(clips.iter().all(|c| c["departure"].is_number()), "{later:#}");
    let leaking = clips.iter().find(|c| c["module"] == 2).unwrap();
    assert_eq!((&leaking["verdict"], &leaking["half"]), (&"departed".into(), &"suction".into()), "{later:#}");
}

#[test]
fn accepted_rounds_are_counted_not_their_clips() {
    let dir = with_pump();
    // Two clips of each module a round, from two of the room's rounds.
    for (at, rounds) in [("2026-11-01T06:00Z", [1, 2]), ("2026-11-02T06:00Z", [4, 5])] {
        let usb = dir.path().join(format!("usb-{}", rounds[0]));
        std::fs::create_dir(&usb).unwrap();
        for (r, m) in rounds.iter().flat_map(|r| (1..=3).map(move |m| (r, m))) {
            std::fs::copy(room().join(format!("round-0{r}/m{m}.wav")), usb.join(format!("m{m}-{r}.wav"))).unwrap();
        }
        let usb = usb.to_str().unwrap();
        seatsong(dir.path(), &["import", usb, "--at", at, "--pressure", "200bar"]).ended(0);
    }
    let well = room().join("round-06");
    let well = well.to_str().unwrap();
    seatsong(dir.path(), &["import", well, "--at", "2026-11-06T06:00Z", "--pressure", "200bar"]).ended(0);
    seatsong(dir.path(), &["baseline", "accept", "1", "2", "--by", "derrickman"]).ended(0);
    let all = seatsong(dir.path(), &["verdict", "3", "--json"]).ended(0).json();
    for clip in all["clips"].as_array().unwrap() {
        assert_eq!(clip["verdict"], "unjudged", "{clip:#}");
        let reason = clip["reason"].as_str().unwrap();
        assert!(reason.contains("has 2 accepted good round(s)") && reason.contains("needs 3"), "{reason}");
    }
}
