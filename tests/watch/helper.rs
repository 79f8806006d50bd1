use std::path::{Path, PathBuf};
use std::sync::OnceLock;
use std::sync::atomic::AtomicBool;
use std::time::Duration;

use seatsong::inside::book::{Book, Stamp};
use seatsong::inside::capture::fake::Fake;
use seatsong::inside::capture::{CaptureError, Format, Source};
use seatsong::inside::watch::{AlarmRule, Clock, Event, Kind, Line, Pace, Summary, Told, WatchPlan, Wiring, watch};

use crate::copy::copy;
use crate::room::{Made, interleaved, pump};

/// Rate of the made-up sensors: enough for a leak, quick to make.
pub(crate) const RATE_HZ: u32 = 16_000;
/// Strokes a window in these tests.
pub(crate) const STROKES: u32 = 20;

/// A book with one pump and six good rounds, made once a run; copied for each test.
pub(crate) fn book() -> (tempfile::TempDir, PathBuf) {
    static READY: OnceLock<PathBuf> = OnceLock::new();
    let ready = READY.get_or_init(|| {
        let dir = Path::new(env!("CARGO_TARGET_TMPDIR")).join("watch-book");
        let _ = std::fs::remove_dir_all(&dir);
        let mut book = Book::create(&dir).unwrap();
        pump(&mut book, "MP-1");
        made().good_rounds(&mut book, "MP-1", 6, 16.0, 0.0);
        dir
    });
    let dir = tempfile::tempdir().unwrap();
    let to = dir.path().join("book");
    copy(ready, &to);
    (dir, to)
}

/// The pump of the book.
pub(crate) fn made() -> Made {
    Made::new(77, RATE_HZ, 88.0)
}

pub(crate) fn format() -> Format {
    Format { rate_hz: RATE_HZ, channels: 4 }
}

pub(crate) fn plan(book: &Book) -> WatchPlan {
    plan_of(book, "1=m1,2=m2,3=m3,4=pulse")
}

pub(crate) fn plan_of(book: &Book, map: &str) -> WatchPlan {
    let wiring: Wiring = map.parse().unwrap();
    WatchPlan {
        groups: wiring.groups(book, None).unwrap(),
        strokes: STROKES,
        rule: AlarmRule::new(3, 5).unwrap(),
        pressure_pa: None,
        console_spm: None,
        keep_bytes: 1_000_000_000,
        clock: Clock::Sound(Stamp::parse("2026-11-25T06:00Z").unwrap()),
        pace: Pace::Waiting,
        first_pause: Duration::from_millis(10),
    }
}

/// What a watch told.
#[derive(Debug, Default)]
pub(crate) struct Heard {
    pub(crate) windows: Vec<Vec<Line>>,
    pub(crate) events: Vec<Event>,
    /// Windows before each event.
    pub(crate) place: Vec<usize>,
    pub(crate) summary: Summary,
}

impl Heard {
    pub(crate) fn of(&self, kind: Kind) -> Vec<&Event> {
        self.events.iter().filter(|e| e.event == kind).collect()
    }
}

/// Watches sources one after the other: each begins when the one before was lost.
pub(crate) fn run(plan: &WatchPlan, book: Book, sources: Vec<Result<Fake, CaptureError>>) -> Heard {
    let mut sources = sources.into_iter();
    let mut open = || sources.next().unwrap().map(|f| Box::new(f) as Box<dyn Source + Send>);
    let mut heard = Heard::default();
    let (mut windows, mut events, mut place) = (Vec::new(), Vec::new(), Vec::new());
    let mut tell = |told: &Told| {
        match told {
            Told::Window(lines) => windows.push(lines.clone()),
            Told::Event(e) => {
                events.push((**e).clone());
                place.push(windows.len());
            }
        }
        Ok(())
    };
    heard.summary = watch(plan, book, &mut open, None, &mut tell, &AtomicBool::new(false)).unwrap();
    (heard.windows, heard.events, heard.place) = (windows, events, place);
    heard
}

pub(crate) fn source(channels: &[Vec<f32>]) -> Fake {
    Fake::new(interleaved(channels), format())
}
