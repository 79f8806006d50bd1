use seatsong::inside::book::Book;
use seatsong::inside::sample::{ClipSpec, Fault};
use seatsong::inside::watch::{Heard as State, Kind};

use crate::helper::{book, format, made, plan, plan_of, run, source};
use crate::room::interleaved;
use seatsong::inside::capture::fake::Fake;

#[test]
fn a_leak_that_begins_is_announced_after_k_of_n_and_not_before() {
    let (_dir, place) = book();
    let made = made();
    // The first window has 30 s, as nothing is known; the others about 15.6 s. The leak begins within the sixth.
    let spec = made.spec(220.0, 300, 300);
    let sound = made.leaking_from(&spec, 110.0, 2, Fault::DischargeValve { level_db: 0.0 });
    let book = Book::open(&place).unwrap();
    let heard = run(&plan(&book), book, vec![Ok(source(&sound))]);
    let outside: Vec<bool> = heard.windows.iter().map(|w| w[1].departure.is_some_and(|d| d > 1.0)).collect();
    let first = outside.iter().position(|o| *o).unwrap();
    assert!((5..=6).contains(&first), "{outside:?}");
    let alarms = heard.of(Kind::Alarm);
    let own: Vec<_> = alarms.iter().filter(|a| a.module == Some(2)).collect();
    assert_eq!(own.len(), 1, "{alarms:?}");
    let at = heard.events.iter().position(|e| e.event == Kind::Alarm && e.module == Some(2)).unwrap();
    let third = (0..outside.len()).filter(|&i| outside[i]).nth(2).unwrap();
    assert_eq!(heard.place[at], third + 1, "right after the third window outside: {outside:?}");
    // The words say what and where; the line carries the alarm.
    let verdict = own[0].verdict.as_ref().unwrap();
    assert!(verdict.departure.unwrap() > 1.0 && own[0].text.contains("permit to work"), "{own:?}");
    assert!(heard.windows[third][1].alarm && !heard.windows[third - 1][1].alarm);
    // Kept: the first window of the hour, the one before the alarm, the alarm's and the one after it, each with a clip a sensor, all
    // around the alarm judged.
    let book = Book::open(&place).unwrap();
    let kept = book.kept_rounds().unwrap();
    let kinds: Vec<&str> = kept.iter().map(|k| k.1.as_str()).collect();
    assert_eq!(kinds[..4], ["hourly", "alarm", "alarm", "alarm"], "{kept:?}");
    assert!(kept.iter().all(|k| k.2.len() == 3));
    assert_eq!(own[0].round, Some(kept[2].0));
    let ended = |k: usize| book.round(kept[k].0).unwrap().started.ms;
    assert!((10_000..20_000).contains(&(ended(2) - ended(1))) && (10_000..20_000).contains(&(ended(3) - ended(2))));
    let judged: String = book
        .connection()
        .query_row(
            "SELECT c.state FROM verdict v JOIN verdict_clip c ON c.verdict_id = v.id WHERE v.round_id = ?1 AND c.module = 2",
            [kept[2].0],
            |r| r.get(0),
        )
        .unwrap();
    assert!(judged == "drifting" || judged == "departed", "{judged}");
    // What the book's verdict says of the clip is what the watch said of the sound.
    let line = &heard.windows[third][1];
    let departure: f64 = book
        .connection()
        .query_row(
            "SELECT c.departure FROM verdict v JOIN verdict_clip c ON c.verdict_id = v.id WHERE v.round_id = ?1 AND c.module = 2",
            [kept[2].0],
            |r| r.get(0),
        )
        .unwrap();
    assert!((departure - line.departure.unwrap()).abs() < 0.05, "{departure} {line:?}");
    assert_eq!(book.check(&|| ()).unwrap().faults, []);
    // Every window has a line a sensor, and nothing was accepted by itself.
    let n: i64 = book.connection().query_row("SELECT count(*) FROM watch_line", [], |r| r.get(0)).unwrap();
    assert_eq!(n, 3 * i64::try_from(heard.windows.len()).unwrap());
    let good: i64 = book.connection().query_row("SELECT count(*) FROM good", [], |r| r.get(0)).unwrap();
    assert_eq!(good, 18);
    assert_eq!(heard.summary.windows, heard.windows.len() as u64);

    // Started again on the same book an instant later, the alarm goes on and is over after five windows within.
    let mut plan = plan(&book);
    if let seatsong::inside::watch::Clock::Sound(start) = &mut plan.clock {
        start.ms += 230_000;
    }
    let healthy = made.sound(&made.spec(125.0, 300, 301));
    let again = run(&plan, book, vec![Ok(source(&healthy))]);
    assert!(again.windows[0][1].alarm, "{:?}", again.windows[0]);
    assert!(again.of(Kind::Alarm).is_empty());
    let over = again.of(Kind::AlarmOver);
    assert_eq!(over.iter().filter(|e| e.module == Some(2)).count(), 1, "{:?}", again.events);
    let started = again.of(Kind::Started);
    assert!(started[0].false_alarms.is_some() && started[0].text.contains("3/5"), "{started:?}");
}

#[test]
fn a_pump_that_stops_is_no_departure() {
    let (_dir, place) = book();
    let made = made();
    let runs = made.sound(&made.spec(50.0, 310, 310));
    let stands = made.sound(&ClipSpec { stopped: true, ..made.spec(70.0, 310, 311) });
    let again = made.sound(&made.spec(64.0, 310, 312));
    let sound: Vec<Vec<f32>> = (0..4).map(|c| [&runs[c][..], &stands[c], &again[c]].concat()).collect();
    let book = Book::open(&place).unwrap();
    let heard = run(&plan(&book), book, vec![Ok(source(&sound))]);
    let states: Vec<Vec<State>> = heard.windows.iter().map(|w| w.iter().map(|l| l.state).collect()).collect();
    assert!(states.contains(&vec![State::Stopped; 3]), "{states:?}");
    assert!(states.iter().flatten().all(|s| !matches!(s, State::Drifting | State::Departed)), "{:#?}", heard.windows);
    let kinds: Vec<Kind> =
        heard.events.iter().map(|e| e.event).filter(|k| matches!(k, Kind::Running | Kind::Stopped)).collect();
    assert_eq!(kinds, [Kind::Running, Kind::Stopped, Kind::Running]);
    assert!(heard.of(Kind::Alarm).is_empty());
    // Steady again after the stop.
    assert!(states.last().unwrap().contains(&State::Steady), "{states:?}");
    let book = Book::open(&place).unwrap();
    let words: Vec<String> = book.watch_events(0).unwrap().into_iter().map(|e| e.1).collect();
    assert!(words.contains(&"stopped".to_owned()) && words.contains(&"running".to_owned()), "{words:?}");
}

#[test]
fn without_good_rounds_there_are_lines_and_clips_and_no_verdict() {
    let dir = tempfile::tempdir().unwrap();
    let place = dir.path().join("book");
    let mut book = Book::create(&place).unwrap();
    crate::room::pump(&mut book, "MP-1");
    let made = made();
    let sound = made.sound(&made.spec(50.0, 320, 320));
    let heard = run(&plan(&book), book, vec![Ok(source(&sound))]);
    assert_eq!(heard.windows.len(), 2);
    for line in heard.windows.iter().flatten() {
        assert_eq!(line.state, State::Unjudged);
        assert!(line.reason.as_ref().unwrap().contains("baseline accept") && line.spm.is_some(), "{line:?}");
    }
    let book = Book::open(&place).unwrap();
    assert_eq!(book.kept_rounds().unwrap().len(), 1, "hourly clips are how a baseline begins");
}

#[test]
fn twelve_channels_are_heard_within_bounded_memory() {
    // Four times the same pump: the room for one window each, whatever the length of the sound.
    let (_dir, place) = book();
    let mut book = Book::open(&place).unwrap();
    let made = made();
    for k in 2..=4_u8 {
        let name = format!("MP-{k}");
        crate::room::pump(&mut book, &name);
    }
    let sound = made.sound(&ClipSpec { drift: 0.0, ..made.spec(60.0, 330, 330) });
    let map = "1=MP-1/m1,2=MP-1/m2,3=MP-1/m3,4=MP-2/m1,5=MP-2/m2,6=MP-2/m3,7=MP-3/m1,8=MP-3/m2,9=MP-3/m3,10=MP-4/m1,11=MP-4/m2,12=MP-4/m3";
    let plan = plan_of(&book, map);
    let all: Vec<Vec<f32>> = (0..12).map(|c| sound[c % 3].clone()).collect();
    let fake = Fake::new(interleaved(&all), seatsong::inside::capture::Format { channels: 12, ..format() })
        .lasting(180 * 16_000);
    let heard = run(&plan, book, vec![Ok(fake)]);
    assert_eq!(heard.windows.len(), 40, "ten windows a pump");
    let judged = heard.windows.iter().flatten().filter(|l| l.departure.is_some()).count();
    assert_eq!(judged, 30, "one pump has good rounds");
    assert_eq!((heard.summary.left_out, heard.summary.lost_frames), (0, 0));
}

#[test]
fn healthy_pumps_in_several_rooms_raise_no_alarm() {
    // Hours of it: `cargo run --release --example watch_load -- healthy`.
    for seed in 400..403 {
        let dir = tempfile::tempdir().unwrap();
        let mut book = Book::create(&dir.path().join("book")).unwrap();
        crate::room::pump(&mut book, "MP-1");
        let made = crate::room::Made::new(seed, crate::helper::RATE_HZ, 84.0);
        made.good_rounds(&mut book, "MP-1", 6, 16.0, 0.0);
        let sound = made.sound(&made.spec(180.0, 410, 410));
        let heard = run(&plan(&book), book, vec![Ok(source(&sound))]);
        assert!(heard.of(Kind::Alarm).is_empty(), "room {seed}: {:?}", heard.events);
        let judged = heard.windows.iter().flatten().filter(|l| l.departure.is_some()).count();
        assert!(judged >= 24, "room {seed}: {judged} verdicts");
    }
}
