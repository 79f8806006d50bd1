use super::*;
use crate::clip::{Code, Finding};
use crate::report::colour::luminance;
use crate::report::note_picture::note_png;
use crate::score::Angle;
use crate::score::made_up;

fn a_note() -> Note {
    let clip = |verdict: ClipVerdict, picture: Option<Vec<u8>>| NoteClip { verdict, picture };
    let mut worst = made_up::departed(2);
    worst.quality.push(Finding::warn(Code::TooShort, "22 strokes; 30 or more make the verdict firmer."));
    Note {
        rig: "Rig Example <7> & \"Sons\"".into(),
        when: "4 May 2031, 06:10".into(),
        pumps: vec![
            NotePump {
                name: "Pump 1".into(),
                spm: Some(71.9),
                pressure: Some("212 bar".into()),
                facts: vec![("Good rounds known".into(), "8, at 66 to 74 SPM".into())],
                clips: vec![
                    clip(made_up::steady(1), None),
                    clip(worst, Some(vec![1, 2, 3])),
                    clip(made_up::steady(3), None),
                ],
                remarks: vec!["Clips taken <b>left to right</b>.".into()],
            },
            NotePump {
                name: "Pump 2".into(),
                spm: Some(68.2),
                pressure: None,
                facts: vec![],
                clips: vec![
                    clip(made_up::unjudged(1), None),
                    clip(made_up::drifting(2), None),
                    clip(made_up::steady(3), None),
                ],
                remarks: vec![],
            },
        ],
        remarks: vec!["All clips of this note are made up.".into()],
    }
}

#[test]
fn all_text_is_escaped() {
    let page = html(&a_note());
    assert!(page.contains("Rig Example &lt;7&gt; &amp; &quot;Sons&quot;"));
    assert!(page.contains("&lt;b&gt;left to right&lt;/b&gt;"));
    assert!(!page.contains("<7>") && !page.contains("<b>"));
    assert_eq!(escape("a\u{0}b\u{1b}[c'"), "a\u{fffd}b\u{fffd}[c&#39;");
}

#[test]
fn the_page_asks_nothing_of_a_network_and_runs_no_script() {
    let page = html(&a_note());
    for forbidden in ["http:", "https:", "<script", "<link", "url(", "@import", "javascript:"] {
        assert!(!page.contains(forbidden), "{forbidden}");
    }
}

#[test]
fn every_picture_has_alt_text_with_the_verdict() {
    let page = html(&a_note());
    assert_eq!(page.matches("<img ").count(), 1);
    let image = page.split("<img ").nth(1).unwrap();
    assert!(image.starts_with("alt=\"Three stroke maps"));
    assert!(image.contains("hiss in the suction half") && image.contains("190° to 350°"));
    assert!(image.contains("data:image/png;base64,AQID\""));
}

#[test]
fn headings_step_down_one_at_a_time() {
    let page = html(&a_note());
    let levels: Vec<u32> = page
        .match_indices("<h")
        .filter_map(|(i, _)| page[i + 2..i + 3].parse().ok().filter(|_| &page[i + 3..i + 4] == ">"))
        .collect();
    assert_eq!(levels[0], 1);
    assert_eq!(levels.iter().filter(|l| **l == 1).count(), 1);
    assert!(levels.windows(2).all(|w| w[1] <= w[0] + 1), "{levels:?}");
    assert!(page.contains("<html lang=\"en\">"));
}

#[test]
fn every_opened_element_is_closed() {
    let page = html(&a_note());
    for tag in [
        "html", "head", "body", "main", "section", "article", "table", "tbody", "thead", "tr", "th", "td", "dl", "div",
        "dd", "dt", "ul", "li", "p", "figure", "h2", "h3", "span",
    ] {
        let opened = page.matches(&format!("<{tag}>")).count() + page.matches(&format!("<{tag} ")).count();
        assert_eq!(opened, page.matches(&format!("</{tag}>")).count(), "{tag}");
    }
}

#[test]
fn badges_have_contrast_of_wcag_aa() {
    let parse = |hex: &str| {
        let byte = |i: usize| u8::from_str_radix(&hex[i..i + 2], 16).unwrap();
        [byte(1), byte(3), byte(5)]
    };
    let contrast = |a: &str, b: &str| {
        let (a, b) = (luminance(parse(a)) + 0.05, luminance(parse(b)) + 0.05);
        a.max(b) / a.min(b)
    };
    assert!((contrast("#000000", "#ffffff") - 21.0).abs() < 0.01);
    for state in [State::Departed, State::Drifting, State::Unjudged, State::Steady] {
        let (back, ink) = badge_colours(state);
        assert!(contrast(back, ink) >= 4.5, "{state:?}: {:.1}", contrast(back, ink));
    }
    // Body text, grey text and the caution box of note.css.
    let css = include_str!("note.css");
    for (back, ink) in [("#ffffff", "#1a1a1a"), ("#ffffff", "#444444"), ("#fff3c4", "#1a1a1a")] {
        assert!(contrast(back, ink) >= 4.5);
    }
    let inks: Vec<&str> = css.match_indices("{color:").map(|(i, _)| &css[i + 7..i + 11]).collect();
    assert!(inks.iter().all(|ink| *ink == "#444"), "an untested colour: {inks:?}");
}

#[test]
fn the_worst_module_leads_and_cautions_are_there() {
    let page = html(&a_note());
    let lead = page.find("Look at Pump 1, module 2").unwrap();
    assert!(lead < page.find("All modules, worst first").unwrap());
    assert!(page.contains("1 in 5,000 healthy clips departs this far"));
    for caution in words::CAUTIONS {
        assert!(page.contains(&escape(caution)), "{caution}");
    }
    assert!(page.contains("about 5 hold a false alarm"), "five judged clips: 1 - 0.99^5 = 4.9 %");
}

#[test]
fn quiet_days_and_empty_notes_are_told_plainly() {
    let mut note = a_note();
    for pump in &mut note.pumps {
        pump.clips.iter_mut().for_each(|c| c.verdict = made_up::steady(1));
    }
    assert!(html(&note).contains("<h2>All 6 modules sound like their good runs</h2>"));
    note.pumps[0].clips[0].verdict = made_up::unjudged(1);
    assert!(html(&note).contains("<h2>5 modules sound like their good runs</h2>"));
    note.pumps.iter_mut().for_each(|p| p.clips.iter_mut().for_each(|c| c.verdict = made_up::unjudged(1)));
    assert!(html(&note).contains("No clip could be judged"));
    note.pumps.iter_mut().for_each(|p| p.clips.truncate(0));
    assert!(html(&note).contains("No clips in this note"));
    assert!(html(&Note::default()).contains("No clips in this note"));
}

#[test]
fn the_words_of_the_page() {
    let page = html(&a_note());
    insta::assert_snapshot!(&page[page.find("<body>").unwrap()..]);
}

/// Writes the note to `$SEATSONG_LOOK` for a person to look at.
#[test]
#[ignore = "for a person to look at"]
fn look_at_the_note() {
    let dir = std::path::PathBuf::from(std::env::var("SEATSONG_LOOK").unwrap_or("/tmp/report_look".into()));
    std::fs::create_dir_all(&dir).unwrap();
    let mut note = a_note();
    note.rig = "Rig Example 7".into();
    let maps = made_up::maps(6.1, [190.0, 350.0], Angle::Absolute);
    let png = note_png(&maps, &made_up::departed(2)).unwrap();
    note.pumps[0].clips[1].picture = Some(png);
    note.pumps[0].remarks.clear();
    crate::report::write_file(&dir.join("note.html"), html(&note).as_bytes()).unwrap();
    // The demo's day: one module departed, all others steady.
    note.pumps[0].clips[1].verdict.quality.clear();
    for (clip, module) in note.pumps[1].clips.iter_mut().zip(1..) {
        clip.verdict = made_up::steady(module);
    }
    crate::report::write_file(&dir.join("demo.html"), html(&note).as_bytes()).unwrap();
}
