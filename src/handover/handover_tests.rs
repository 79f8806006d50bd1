use super::block::{Block, Item, On};
use super::*;
use crate::report::note_picture::note_png;
use crate::score::made_up;
use crate::score::{Angle, Half, State};
use crate::tour::cross::{self, Circuit, Rules, Seen};

fn bar(pa: f64) -> String {
    format!("{:.0} bar", pa / 1e5)
}

fn module(verdict: ClipVerdict, since: Option<&str>, picture: bool) -> ModulePart {
    let picture = picture.then(|| {
        let maps = made_up::maps(8.0, [10.0, 170.0], Angle::Absolute);
        note_png(&maps, &verdict).unwrap()
    });
    let hear = (verdict.verdict == State::Departed)
        .then(|| "seatsong handover --tour '2031-05-04 15:20' --audio 2 --out handover".to_owned());
    ModulePart { verdict, taken: "15:20".into(), since: since.map(str::to_owned), picture, sound: None, hear }
}

fn reading(name: &str, now: Option<&str>, before: &str, limit: &str, outside: Option<bool>) -> Reading {
    Reading {
        name: name.into(),
        now: now.map(str::to_owned),
        before: Some(before.into()),
        limit: limit.into(),
        outside,
    }
}

fn drift_picture() -> Option<Vec<u8>> {
    use crate::score::trend::{TrendInput, TrendRound, TrendSettings, trend};
    let rounds = made_up::healthy(60, 3).into_iter().enumerate().map(|(i, d)| TrendRound {
        time_s: 1_700_000_000 + 14_400 * i64::try_from(i).unwrap(),
        strokes: None,
        departure: Some(d + 0.05 * (i as f64 - 30.0).max(0.0)),
        excess_db: None,
        hiss_sd: None,
        good: i < 8,
    });
    let input = TrendInput { module: Some(2), rounds: rounds.collect(), ..TrendInput::default() };
    Some(crate::report::trend::note_trend_png(&trend(&input, &TrendSettings::default()), None).unwrap())
}

/// A note with everything in it, of an invented rig.
pub(crate) fn full() -> Handover {
    let mut hiss = made_up::departed(2);
    hiss.half = Half::Discharge;
    hiss.arc_deg = Some([10.0, 170.0]);
    hiss.reading = "Hiss in the discharge half: usually a suction valve or seat that leaks, or a piston and liner that wash. Next: look for \
mud in this liner's wash returns (mud points at piston and liner), then plan to look at the suction valve and seat."
        .into();
    let rules = Rules::default();
    let point = |pa: f64| Circuit { pa, spm: 72.0, mud_kg_per_m3: Some(1250.0) };
    let mut remarks = cross::returns(Seen::in_wash("mud in the returns of module 2"), std::slice::from_ref(&hiss));
    remarks.push(cross::circuit(&point(1.93e7), &[point(2.12e7), point(2.13e7), point(2.11e7)], &rules));
    remarks.extend(cross::gauges(1.95e7, 1.93e7, Some(1.93e7), &[0.01, 0.011, 0.0105], &rules, &bar));
    remarks.extend(cross::relief(2.9e7, Some(3.0e7), None, Some(1.93e7), &rules, &bar));
    let trend = |name: &str, slope: f64, ends: [&str; 2], limit: Option<f64>| Trend {
        name: name.into(),
        points: (0..12)
            .map(|k| [f64::from(k), 10.0 + slope * f64::from(k * k) / 12.0 + 0.3 * f64::from(k % 3)])
            .collect(),
        limit,
        ends: ends.map(str::to_owned),
        times: ["2 May", "4 May, 15:20"].map(str::to_owned),
    };
    let first = PumpPart {
        name: "Pump 1".into(),
        running: "running, 72 SPM, 193 bar, 6 in liners, mud 1250 kg/m3".into(),
        modules: vec![
            module(made_up::steady(1), None, false),
            module(hiss, Some("4 May, 14:10"), true),
            module(made_up::drifting(3), Some("4 May, 15:20"), true),
        ],
        drifts: vec![Drift { sentence: "Module 2 stands at 3.4 times its limit, 3 days ago at 0.4.".into(), picture: drift_picture() }],
        photos: vec![Photo {
            what: "module 1 suction valve, worn (insert cut), 09:40".into(),
            file: "photos/2031-05/5e4f.jpg".into(),
            jpeg: None,
        }],
        trends: vec![
            trend("Discharge pressure at 72 SPM", -1.0, ["212 bar", "193 bar"], None),
            trend("Oil pressure after the filter", 0.1, ["3.0 bar", "3.1 bar"], None),
        ],
        readings: vec![
            reading("Pump gauge", Some("195 bar, 15:12"), "214 bar", "no limit entered", None),
            reading("Console", Some("193 bar, 15:12"), "212 bar", "no limit entered", None),
            reading("Standpipe", Some("193 bar, 15:12"), "212 bar", "no limit entered", None),
            reading("Oil pressure before the filter", Some("6.3 bar, 15:05"), "3.3 bar", "2 bar to 6 bar (plate of pump 1)", Some(true)),
            reading("Oil pressure after the filter", Some("3.1 bar, 15:05"), "3.0 bar", "2 bar to 6 bar (plate of pump 1)", Some(false)),
            reading("Dampener precharge", None, "44 bar, 3 May, 17:40", "no limit entered", None),
            reading("Relief valve setting", Some("290 bar, 07:15"), "290 bar", "no limit entered", None),
        ],
        remarks,
        checks: Checks {
            never: vec!["suction chamber".into()],
            done: 27,
            n_missed: 2,
            missed: vec!["dampener precharge (2 times)".into(), "moisture trap (1 time)".into()],
            skipped: vec![("suction screen".into(), "no connection in this tour".into())],
            attention: vec!["liner wash: mud in the returns of module 2 (14:15)".into()],
        },
        parts: vec![
            "Module 1 suction valve changed at 09:40: worn after 612 h and 2.6 million strokes".into(),
            "module 2 discharge seats last a third of the others (median 214 h against 640 h; 5 of 6 worn out; such a difference comes by chance once in 300)".into(),
        ],
        work: vec![Work {
            name: "module 1, suction valve".into(),
            stage: "open".into(),
            lines: vec![
                "09:02 risk-review: confirmed (derrickman)".into(),
                "09:05 permit: confirmed, 4711 (derrickman)".into(),
                "09:12 locks: confirmed, 2 locks (mechanic)".into(),
                "09:14 electrical-isolation: NOT CONFIRMED, left out: electrician on the way (mechanic)".into(),
            ],
            unconfirmed: vec!["electrical isolation in the isolation log".into()],
        }],
    };
    let second = PumpPart {
        name: "Pump 2".into(),
        running: "standby, 5 1/2 in liners".into(),
        modules: vec![
            module(made_up::steady(1), None, false),
            module(made_up::unjudged(2), None, false),
            module(made_up::steady(3), None, false),
        ],
        checks: Checks { never: vec!["suction chamber".into()], done: 20, ..Checks::default() },
        ..PumpPart::default()
    };
    Handover {
        rig: "Invented rig <Plover> & Sons".into(),
        tour: "4 May 2031, 06:00 to 18:00".into(),
        made: "4 May 2031, 17:52".into(),
        remarks: vec!["All figures of this note are made up.".into()],
        pumps: vec![first, second],
        concerns: vec![
            Concern {
                number: 3,
                pump: Some("Pump 2".into()),
                text: "relief line bracket loose, welder asked for".into(),
                since: "2 May".into(),
            },
            Concern {
                number: 5,
                pump: None,
                text: "hose of the charge pump weeps at the clamp".into(),
                since: "4 May".into(),
            },
        ],
        sign_off: SignOff { giver: Some("derrickman, 4 May 2031, 17:55".into()), receiver: None },
    }
}

#[test]
fn the_first_steps_are_the_most_pressing() {
    let steps = first_steps(&full());
    assert!(
        steps[0].contains(
            "tell the supervisor: mud in the liner-wash returns and a hiss in the discharge half of module 2"
        ),
        "{steps:?}"
    );
    assert!(steps[1].contains("pressure fell by 9 %") && steps[1].contains("(rule of thumb)"), "{steps:?}");
    let order = [
        "Look at Pump 1, module 2",
        "outside its limits",
        "electrical isolation",
        "Listen again at Pump 1, module 3",
        "missed checks",
    ];
    let places: Vec<usize> = order.iter().map(|w| steps.iter().position(|s| s.contains(w)).unwrap()).collect();
    assert!(places.is_sorted(), "{steps:#?}");
}

#[test]
fn the_words_of_the_note() {
    insta::assert_snapshot!(text(&full()));
}

#[test]
fn the_radio_text_is_ascii_and_short_lined() {
    let text = text(&full());
    assert!(text.is_ascii());
    assert!(text.lines().all(|l| l.len() <= 72), "{:?}", text.lines().find(|l| l.len() > 72));
    assert!(text.contains("Taken over by: NOT SIGNED"));
}

#[test]
fn no_word_of_the_note_clears_a_pump() {
    let text = text(&full()).to_lowercase();
    for word in ["safe to", "all clear", "is safe", "ready to run"] {
        assert!(!text.contains(word), "{word}");
    }
    assert!(text.contains("no limit entered") && text.contains("rule of thumb"));
}

/// Pages of a PDF: its page objects.
pub(crate) fn pages_of(pdf: &[u8]) -> usize {
    pdf.windows(11).filter(|w| *w == b"/Type /Page" || *w == b"/Type/Page\n").count()
        - pdf.windows(12).filter(|w| *w == b"/Type /Pages").count()
}

/// Keeps a note for a person to look at in the folder that `SEATSONG_LOOK` names.
fn keep(name: &str, note: &Handover) {
    if let Ok(dir) = std::env::var("SEATSONG_LOOK") {
        std::fs::write(format!("{dir}/{name}.pdf"), pdf(note).unwrap()).unwrap();
        std::fs::write(format!("{dir}/{name}.html"), html(note)).unwrap();
        std::fs::write(format!("{dir}/{name}.txt"), text(note)).unwrap();
    }
}

#[test]
fn the_pdf_is_the_same_each_time_and_holds_two_pages_a_pump() {
    let one = pdf(&full()).unwrap();
    assert_eq!(one, pdf(&full()).unwrap());
    assert!(one.starts_with(b"%PDF-"));
    let pages = pages_of(&one);
    assert!((3..=2 * full().pumps.len()).contains(&pages), "{pages}");
    keep("note", &full());
}

/// A tour in which all that can be entered was, and long: forty concerns, every list full, five modules departed, jobs left open.
pub(crate) fn bad(pumps: usize, modules: u32, many: usize) -> Handover {
    let long = |k: usize| {
        format!("entry {k}: {}", "the hose weeps at the clamp and the bracket is loose, ".repeat(1 + many / 20))
    };
    let mut note = full();
    let model = note.pumps.remove(0);
    note.pumps = (0..pumps)
        .map(|p| {
            let mut pump = model.clone();
            pump.name = format!("MP-{}", p + 1);
            pump.modules = (1..=modules).map(|m| module(made_up::departed(m), Some("4 May, 14:10"), true)).collect();
            let all = |n: usize| (0..n).map(long).collect::<Vec<String>>();
            pump.parts = all(many);
            pump.checks.missed = all(many);
            pump.checks.never = all(many);
            pump.checks.attention = all(many);
            pump.checks.skipped = (0..many).map(|k| (format!("check {k}"), long(k))).collect();
            pump.readings = (0..many).map(|k| Reading { name: long(k), ..model.readings[k % 7].clone() }).collect();
            pump.remarks = (0..many).map(|k| model.remarks[k % model.remarks.len()].clone()).collect();
            pump.drifts =
                (0..5).map(|k| Drift { sentence: long(k), picture: model.drifts[0].picture.clone() }).collect();
            pump.work = (0..many)
                .map(|k| Work { name: long(k), lines: all(many), unconfirmed: all(3), ..model.work[0].clone() })
                .collect();
            pump
        })
        .collect();
    note.concerns = (0..many)
        .map(|k| Concern { number: u32::try_from(k).unwrap(), pump: None, text: long(k), since: "4 May".into() })
        .collect();
    note
}

#[test]
fn no_tour_takes_more_than_two_pages_a_pump() {
    for (pumps, modules, many) in [(1, 3, 0), (1, 3, 5), (1, 3, 12), (1, 3, 40), (2, 5, 60), (3, 3, 25), (1, 7, 200)] {
        let note = bad(pumps, modules, many);
        let pages = pages_of(&pdf(&note).unwrap());
        assert!(
            (1..=2 * pumps).contains(&pages),
            "{pages} pages of {pumps} pumps, {modules} modules, {many} entries each"
        );
        keep(&format!("bad-{pumps}-{modules}-{many}"), &note);
    }
    let mut quiet = full();
    quiet.pumps.remove(0);
    quiet.concerns.clear();
    assert_eq!(pages_of(&pdf(&quiet).unwrap()), 1, "a quiet tour is one page");
    keep("quiet", &quiet);
}

/// So many photos, each another one from `first` on, as small as a note has them.
pub(crate) fn photos(first: u8, n: u8) -> Vec<Photo> {
    let jpeg = |k: u8| {
        // Grain as a real photo has it, so that its size is one.
        let mut grain = u32::from(k) + 1;
        let rgb: Vec<u8> = (0..640 * 480_u32)
            .flat_map(|i| {
                grain = grain.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
                let far = (i % 640).abs_diff(320) + (i / 640).abs_diff(240);
                let [light, ..] = (220 - far / 3 + (grain >> 28)).to_le_bytes();
                [light, light.saturating_sub(7 * k), light / 2]
            })
            .collect();
        let mut out = Vec::new();
        jpeg_encoder::Encoder::new(&mut out, 72).encode(&rgb, 640, 480, jpeg_encoder::ColorType::Rgb).unwrap();
        out
    };
    let words = [
        "valves, module 2",
        "Pump 1, module 1, suction valve, worn (insert cut at 4 o'clock, seat good, stem straight, guide worn by a hand's breadth)",
    ];
    let photo = |k: u8| Photo {
        what: format!("{}, 09:4{} (derrickman)", words[usize::from(k) % 2], k % 10),
        file: format!("photos/2031-05/{k:064x}.jpg"),
        jpeg: Some(jpeg(k)),
    };
    (first..first + n).map(photo).collect()
}

/// Photos in a PDF: pictures whose bytes are JPEGs.
fn photos_of(pdf: &[u8]) -> usize {
    pdf.windows(10).filter(|w| *w == b"/DCTDecode").count()
}

#[test]
fn photos_stand_beside_the_words_where_there_is_room_and_on_one_page_more_where_there_is_none() {
    let mut note = full();
    let before = pages_of(&pdf(&note).unwrap());
    note.pumps[1].photos = photos(0, 3);
    let with = pdf(&note).unwrap();
    assert_eq!((pages_of(&with), photos_of(&with)), (before, 3), "a quiet pump has room");
    keep("photos-beside", &note);
    for (pumps, each) in [(1, 6), (2, 6)] {
        let mut note = bad(pumps, 3, 25);
        for (pump, first) in note.pumps.iter_mut().zip((0..).step_by(usize::from(each))) {
            pump.photos = photos(first, each);
        }
        let all = pumps * usize::from(each);
        let (made, page) = (pdf(&note).unwrap(), html(&note));
        assert_eq!(pages_of(&made), pages_of(&pdf(&bad(pumps, 3, 25)).unwrap()) + 1, "{pumps} pumps");
        assert!(pages_of(&made) <= 2 * pumps + 1);
        assert_eq!(photos_of(&made), all, "{pumps} pumps");
        assert_eq!(page.matches("data:image/jpeg").count(), all, "each once");
        keep(&format!("photos-{pumps}"), &note);
    }
    // More than a page holds: counted, and on the screen all the same.
    let many: Vec<(String, Vec<Item<Photo>>)> =
        (0..3).map(|p| (format!("MP-{}", p + 1), photos(6 * p, 6).into_iter().map(Item::plain).collect())).collect();
    let page = super::paper::photo_page(&many, &mut super::setter::Setter::new());
    let items = page.iter().flat_map(|b| match b {
        Block::Photos(items) => items.clone(),
        Block::Only(On::Screen, blocks) => {
            blocks.iter().flat_map(|b| if let Block::Photos(i) = b { i.clone() } else { Vec::new() }).collect()
        }
        _ => Vec::new(),
    });
    let on: Vec<On> = items.map(|i| i.on).collect();
    let shown = on.iter().filter(|on| **on == On::Both).count();
    assert!(on.len() == 18 && (9..18).contains(&shown), "{on:?}");
    assert!(format!("{page:?}").contains(&format!("the book's folder photos: {}.", 18 - shown)), "{shown}");
    // Bytes that can't be set leave their words: no note fails for a photo.
    let mut broken = full();
    broken.pumps[1].photos = vec![Photo { jpeg: Some(vec![0xff, 0xd8, 1, 2]), ..photos(0, 1).remove(0) }];
    let made = pdf(&broken).unwrap();
    assert_eq!((pages_of(&made), photos_of(&made)), (before, 0));
}

#[test]
fn what_has_no_room_on_paper_is_counted_and_stands_on_the_screen() {
    let note = bad(1, 3, 40);
    let (page, radio) = (html(&note), text(&note));
    for k in 0..40 {
        let number = format!("No. {k} ");
        assert!(page.contains(&number) && radio.contains(&number), "concern {k}");
    }
    let said: Vec<&str> =
        page.match_indices("more in the book: open concerns").map(|(at, _)| &page[at - 8..at]).collect();
    let hidden: usize = said[0].split_whitespace().last().unwrap().parse().unwrap();
    let list = &page[page.find("Open concerns").unwrap()..page.find("class=\"pump\"").unwrap()];
    assert_eq!(list.matches("<li class=\"over\"").count(), hidden, "as many as are counted");
    assert_eq!(list.matches("<li>").count() + hidden, 40);
    assert!(page.contains("(seatsong concern list)") && page.contains("(seatsong work list)"));
    // What is pressing stays: no flagged row is left out before a plain one.
    assert!(!radio.contains("more in the book: open concerns"), "the text has them all");
}

#[test]
fn an_empty_note_says_so() {
    let empty = Handover { rig: "Invented rig".into(), ..Handover::default() };
    assert!(first_steps(&empty).is_empty());
    assert!(text(&empty).contains("Nothing is out of turn."));
    assert!(pdf(&empty).is_ok());
    let mut broken = full();
    broken.pumps[0].modules[1].picture = Some(vec![1, 2, 3]);
    assert!(pdf(&broken).is_err(), "a picture that can't be read is told");
}

#[test]
fn a_trend_of_one_point_or_none_draws_nothing() {
    let t = |points: &[[f64; 2]]| Trend { points: points.to_vec(), ..Trend::default() };
    for points in [&[][..], &[[1.0, 2.0]], &[[1.0, 2.0], [1.0, 3.0]], &[[f64::NAN, 1.0], [1.0, 1.0]]] {
        assert!(super::html::trend_path(&t(points), [100.0, 50.0]).is_none());
    }
    let (path, limit) = super::html::trend_path(&t(&[[0.0, 1.0], [2.0, 1.0]]), [100.0, 50.0]).unwrap();
    assert!((path[1][0] - 100.0).abs() < 1e-9 && (path[0][1] - 25.0).abs() < 1e-9 && limit.is_none());
}
