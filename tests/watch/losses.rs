use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use seatsong::inside::book::{Book, Kept, NewClip, RoundChange, Stamp};
use seatsong::inside::capture::fake::{Event, Fake, Pace};
use seatsong::inside::capture::{CaptureError, Format, Source};
use seatsong::inside::watch::{Kind, Told, WatchError, watch};

use crate::helper::{RATE_HZ, book, format, made, plan, run, source};

fn no_device() -> CaptureError {
    CaptureError::NoDevice { what: "no sound input is called \"x\"".into() }
}

#[test]
fn a_lost_device_is_waited_for_and_the_gap_is_in_the_book() {
    let (_dir, place) = book();
    let made = made();
    let sound = made.sound(&made.spec(70.0, 340, 340));
    let frames = |s: u64| s * u64::from(RATE_HZ);
    let thin = Fake::new(vec![0.0; 2000], Format { channels: 2, ..format() });
    let changed = Event::Change(Format { rate_hz: 44_100, channels: 4 });
    let sources = vec![
        Ok(source(&sound).with(frames(40), Event::Gone)),
        Err(no_device()),
        Err(no_device()),
        // Another device with too few channels is none.
        Ok(thin),
        Ok(source(&sound).with(frames(50), changed)),
        Ok(source(&sound)
            .with(frames(10), Event::Lose(400))
            .with(frames(12), Event::Lose(frames(3)))
            .paced(Pace::Times(100.0))),
    ];
    let book = Book::open(&place).unwrap();
    let heard = run(&plan(&book), book, sources);
    let kinds: Vec<Kind> = heard
        .events
        .iter()
        .map(|e| e.event)
        .filter(|k| matches!(k, Kind::Gap | Kind::Back | Kind::Lost | Kind::Started | Kind::Ended))
        .collect();
    use Kind::{Back, Ended, Gap, Lost, Started};
    assert_eq!(kinds, [Started, Gap, Back, Gap, Back, Lost, Lost, Ended]);
    assert_eq!((heard.summary.gaps, heard.summary.lost_frames), (2, 400 + frames(3)));
    assert!(heard.of(Gap)[1].text.contains("44100"), "{:?}", heard.of(Gap));
    assert!(heard.of(Kind::Alarm).is_empty());
    let judged = heard.windows.iter().flatten().filter(|l| l.departure.is_some()).count();
    assert!(judged >= 9, "{:?}", heard.windows);
    let book = Book::open(&place).unwrap();
    let events = book.watch_events(0).unwrap();
    assert_eq!(events.iter().filter(|e| e.1 == "gap").count(), 2, "{events:?}");
}

#[test]
fn no_device_at_the_start_is_an_error_and_so_are_missing_channels() {
    let (_dir, place) = book();
    let stop = AtomicBool::new(false);
    let mut tell = |_: &Told| Ok(());
    let book = Book::open(&place).unwrap();
    let the_plan = plan(&book);
    let none = watch(&the_plan, book, &mut || Err(no_device()), None, &mut tell, &stop);
    assert!(matches!(none, Err(WatchError::Capture(_))), "{none:?}");
    let mut thin =
        || Ok(Box::new(Fake::new(vec![0.0; 200], Format { channels: 2, ..format() })) as Box<dyn Source + Send>);
    let few = watch(&the_plan, Book::open(&place).unwrap(), &mut thin, None, &mut tell, &stop);
    let err = few.unwrap_err().to_string();
    assert!(err.contains("2 channel(s)") && err.contains("channel 4"), "{err}");
}

#[test]
fn the_limit_on_disk_holds_and_alarms_and_what_people_made_stay() {
    let (_dir, place) = book();
    let mut book = Book::open(&place).unwrap();
    let pump = book.pump("MP-1").unwrap();
    let before = book.check(&|| ()).unwrap().clips;
    // Four hourly rounds and one around an alarm, of 3 x 300 kB each, from days before.
    for hour in 0..5_u8 {
        let at = Stamp::parse(&format!("2026-11-20T0{hour}:00Z")).unwrap();
        let kind = if hour == 0 { Kept::Alarm } else { Kept::Hourly };
        let round = book.keep_round(&pump, &at, kind, &RoundChange::default()).unwrap();
        for module in 1..=3_u8 {
            let mut bytes = vec![0; 300_000];
            (bytes[0], bytes[1]) = (hour, module);
            let spot = book.spot(&pump, module.into(), None).unwrap();
            let new = NewClip { path: "watch.wav".as_ref(), taken_at: &at, pulse: None };
            book.add_sound(&round, &spot, &new, &bytes).unwrap();
        }
    }
    let made = made();
    let sound = made.sound(&made.spec(40.0, 350, 350));
    // A kept window of 30 s has 3 x 2.9 MB (with the pulse).
    let the_plan = seatsong::inside::watch::WatchPlan { keep_bytes: 11_000_000, ..plan(&book) };
    let heard = run(&the_plan, book, vec![Ok(source(&sound))]);
    let removed = heard.of(Kind::Removed);
    assert!(removed.len() == 1 && removed[0].text.contains("3 hourly round(s)"), "{:?}", heard.events);
    let mut book = Book::open(&place).unwrap();
    let kept = book.kept_rounds().unwrap();
    let kinds: Vec<&str> = kept.iter().map(|k| k.1.as_str()).collect();
    assert_eq!(kinds, ["alarm", "hourly", "hourly"]);
    let bytes: i64 = kept.iter().flat_map(|k| &k.2).map(|c| c.bytes).sum();
    assert!(bytes <= 11_000_000, "{bytes}");
    assert_eq!(book.check(&|| ()).unwrap().clips, before + 9);
    assert!(book.watch_events(0).unwrap().iter().any(|e| e.1 == "removed"));
    // A limit that the clips around alarms alone exceed is told, and takes nothing else.
    let over = book.thin_watch(1000).unwrap();
    assert_eq!((over.removed.len(), over.left_bytes), (2, 900_000));
    assert_eq!(book.check(&|| ()).unwrap().clips, before + 3);
}

#[test]
fn a_slow_computer_leaves_windows_out_and_says_so() {
    let (_dir, place) = book();
    let made = made();
    let sound = made.sound(&made.spec(60.0, 360, 360));
    let book = Book::open(&place).unwrap();
    let the_plan = seatsong::inside::watch::WatchPlan { pace: seatsong::inside::watch::Pace::Live, ..plan(&book) };
    // An hour at once: nobody can hear that fast.
    let fake = source(&sound).lasting(3600 * u64::from(RATE_HZ));
    let heard = run(&the_plan, book, vec![Ok(fake)]);
    assert!(heard.summary.left_out > 0, "{:?}", heard.summary);
    assert!(!heard.of(Kind::Behind).is_empty());
    assert!(!heard.windows.is_empty());
}

#[test]
fn a_stop_sign_ends_the_watch_in_order() {
    let (_dir, place) = book();
    let made = made();
    let sound = made.sound(&made.spec(40.0, 370, 370));
    let stop = AtomicBool::new(false);
    let fake = source(&sound).lasting(u64::MAX / 2).paced(seatsong::inside::capture::fake::Pace::Times(30.0));
    let mut source = Some(fake);
    let mut open = || Ok(Box::new(source.take().unwrap()) as Box<dyn Source + Send>);
    let mut last = None;
    let book = Book::open(&place).unwrap();
    let the_plan = plan(&book);
    let mut tell = |told: &Told| {
        match told {
            Told::Window(_) => stop.store(true, Ordering::Relaxed),
            Told::Event(e) => last = Some(e.event),
        }
        Ok(())
    };
    let start = std::time::Instant::now();
    watch(&the_plan, book, &mut open, None, &mut tell, &stop).unwrap();
    assert!(start.elapsed() < Duration::from_secs(60));
    assert_eq!(last, Some(Kind::Ended));
    let events = Book::open(&place).unwrap().watch_events(0).unwrap();
    assert_eq!(events.last().unwrap().1, "ended");
}
