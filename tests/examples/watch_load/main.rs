//! What a watch of twelve sensors costs: `cargo run --release --example watch_load [-- MINUTES]`.
//!
//! Four made-up triplex pumps, twelve channels at 48 kHz, an hour of sound as fast as it can be heard, each pump against eight good rounds.
//! `-- healthy [ROOMS]` instead watches an hour of a healthy pump in each of some rooms.
//! Prints the share of one core that this work needs in real time, and the memory every five minutes of sound. Linux only: it reads /proc.
#![expect(
    clippy::unwrap_used,
    clippy::print_stdout,
    reason = "an example that prints figures and has nobody to tell of errors"
)]
// The tests need more of it.
#![expect(dead_code, reason = "shared with the tests")]

#[path = "../../watch/room.rs"]
mod room;

use std::sync::atomic::AtomicBool;
use std::time::{Duration, Instant};

use seatsong::inside::book::{Book, Stamp};
use seatsong::inside::capture::fake::{Event as FakeEvent, Fake};
use seatsong::inside::capture::{Format, Source};
use seatsong::inside::sample::ClipSpec;
use seatsong::inside::watch::{AlarmRule, Clock, Pace, Told, WatchPlan, Wiring, watch};

const RATE_HZ: u32 = 48_000;
const SPM: f64 = 70.0;
/// The sound that is repeated: 140 whole turns, so that it joins up.
const LOOP_S: f64 = 120.0;

/// CPU seconds of this process so far, all threads; /proc counts in hundredths.
fn cpu_s() -> f64 {
    let stat = std::fs::read_to_string("/proc/self/stat").unwrap();
    let fields: Vec<&str> = stat.rsplit(')').next().unwrap().split_whitespace().collect();
    (fields[11].parse::<f64>().unwrap() + fields[12].parse::<f64>().unwrap()) / 100.0
}

/// Resident memory in MB.
fn memory_mb() -> f64 {
    let status = std::fs::read_to_string("/proc/self/status").unwrap();
    let line = status.lines().find(|l| l.starts_with("VmRSS:")).unwrap();
    line.split_whitespace().nth(1).unwrap().parse::<f64>().unwrap() / 1024.0
}

fn main() {
    let mut args = std::env::args().skip(1);
    match args.next().as_deref() {
        Some("healthy") => healthy(args.next().map_or(4, |n| n.parse().unwrap())),
        minutes => load(minutes.map_or(60, |m| m.parse().unwrap())),
    }
}

/// An hour of a healthy pump in each of some rooms, ten minutes a day, at 16 kHz and 20 strokes a window: windows outside, and alarms.
fn healthy(rooms: u64) {
    for seed in 7100..7100 + rooms {
        let dir = tempfile::tempdir().unwrap();
        let mut book = Book::create(&dir.path().join("book")).unwrap();
        room::pump(&mut book, "MP-1");
        let made = room::Made::new(seed, 16_000, 60.0 + (seed % 5) as f64 * 7.0);
        made.good_rounds(&mut book, "MP-1", 8, 24.0, 0.0);
        let wiring: Wiring = "1=m1,2=m2,3=m3,4=pulse".parse().unwrap();
        let plan = plan(&book, &wiring, 20);
        let mut day = 0;
        let mut open = || {
            // A device that goes away every ten minutes and is back on another day.
            day += 1;
            let frames = 600 * 16_000;
            let sound = made.sound(&made.spec(600.0, 900 + day, 5000 + day));
            let fake = Fake::new(room::interleaved(&sound), Format { rate_hz: 16_000, channels: 4 });
            let fake = if day < 6 { fake.with(frames, FakeEvent::Gone) } else { fake };
            Ok(Box::new(fake.lasting(frames + 1)) as Box<dyn Source + Send>)
        };
        let (mut judged, mut outside, mut longest, mut run) = (0_u32, 0_u32, 0_u32, [0_u32; 3]);
        let mut tell = |told: &Told| {
            if let Told::Window(lines) = told {
                for (line, run) in lines.iter().zip(&mut run) {
                    let Some(d) = line.departure else { continue };
                    judged += 1;
                    outside += u32::from(d > 1.0);
                    *run = if d > 1.0 { *run + 1 } else { 0 };
                    longest = longest.max(*run);
                }
            }
            Ok(())
        };
        let summary = watch(&plan, book, &mut open, None, &mut tell, &AtomicBool::new(false)).unwrap();
        println!(
            "room {seed}: {judged} verdicts, {outside} outside the limit, longest run {longest}, {} alarm(s) of 3/5",
            summary.alarms
        );
    }
}

fn plan(book: &Book, wiring: &Wiring, strokes: u32) -> WatchPlan {
    WatchPlan {
        groups: wiring.groups(book, None).unwrap(),
        strokes,
        rule: AlarmRule::new(3, 5).unwrap(),
        pressure_pa: None,
        console_spm: None,
        keep_bytes: 500_000_000,
        clock: Clock::Sound(Stamp::parse("2026-11-25T06:00Z").unwrap()),
        pace: Pace::Waiting,
        first_pause: Duration::from_millis(1),
    }
}

/// The cost of twelve sensors.
fn load(minutes: u32) {
    let dir = tempfile::tempdir().unwrap();
    let mut book = Book::create(&dir.path().join("book")).unwrap();
    let made = room::Made::new(7000, RATE_HZ, SPM);
    let mut map = Vec::new();
    for (k, stamp) in (0..4).zip([0.0, 0.001, 0.002, 0.003]) {
        let name = format!("MP-{}", k + 1);
        room::pump(&mut book, &name);
        made.good_rounds(&mut book, &name, 8, 36.0, stamp);
        map.extend((1..=3).map(|m| format!("{}={name}/m{m}", 3 * k + m)));
    }
    let mut heard = made.sound(&ClipSpec { drift: 0.0, ..made.spec(LOOP_S, 500, 500) });
    heard.pop();
    let all: Vec<Vec<f32>> = (0..12).map(|c| heard[c % 3].clone()).collect();
    let frames = u64::from(minutes) * 60 * u64::from(RATE_HZ);
    let fake = Fake::new(room::interleaved(&all), Format { rate_hz: RATE_HZ, channels: 12 }).lasting(frames);
    drop((all, heard));
    let wiring: Wiring = map.join(",").parse().unwrap();
    let plan = plan(&book, &wiring, 40);
    let (mut source, mut events, mut outside) = (Some(fake), 0_u32, 0_u32);
    let (start, cpu) = (Instant::now(), cpu_s());
    let mut next = 5;
    println!(
        "before: {:.0} MB, of which the repeated sound has {:.0} MB",
        memory_mb(),
        LOOP_S * 48_000.0 * 12.0 * 4.0 / 1e6
    );
    let mut windows = 0_u32;
    let mut tell = |told: &Told| {
        match told {
            Told::Window(lines) => {
                windows += 1;
                outside +=
                    u32::try_from(lines.iter().filter(|l| l.departure.is_some_and(|d| d > 1.0)).count()).unwrap();
                let s = f64::from(windows) / 4.0 * (40.0 * 60.0 / SPM + 2.0);
                if s >= f64::from(next) * 60.0 {
                    println!("{next:3} min of sound: {:.0} MB", memory_mb());
                    next += 5;
                }
            }
            Told::Event(e) => {
                events += 1;
                println!("  {}", Told::Event(e.clone()).words());
            }
        }
        Ok(())
    };
    let mut open = || Ok(Box::new(source.take().unwrap()) as Box<dyn Source + Send>);
    let summary = watch(&plan, book, &mut open, None, &mut tell, &AtomicBool::new(false)).unwrap();
    let (cpu, took) = (cpu_s() - cpu, start.elapsed().as_secs_f64());
    let sound = f64::from(minutes) * 60.0;
    println!("{}", summary.words());
    println!("{} verdicts, {outside} outside the limit, {events} events", summary.judged);
    println!(
        "{sound:.0} s of sound took {took:.0} s and {cpu:.0} s of CPU: {:.1} % of one core in real time",
        100.0 * cpu / sound
    );
}
