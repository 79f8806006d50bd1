//! A made-up pump with fixed sensors, for the tests and the load example: what every sensor hears at once, and a book with its good rounds.

use std::path::Path;

use seatsong::inside::book::{Book, NewClip, NewPump, NewRound, RoundChange, Stamp};
use seatsong::inside::sample::{ClipSpec, Fault, Room, RoomSettings};
use seatsong::inside::units::UnitSystem;
use seatsong::inside::watch::wav24;

/// A triplex in a room of its own.
pub(crate) struct Made {
    pub(crate) room: Room,
    pub(crate) rate_hz: u32,
}

impl Made {
    pub(crate) fn new(seed: u64, rate_hz: u32, nominal_spm: f64) -> Self {
        let settings = RoomSettings { order: vec![1, 2, 3], nominal_spm };
        Self { room: Room::new(seed, &settings).unwrap(), rate_hz }
    }

    /// What a fixed sensor's clip is like: no placement, little drift, a clank a minute.
    pub(crate) fn spec(&self, duration_s: f64, day: u64, seed: u64) -> ClipSpec {
        ClipSpec {
            spm: self.room.nominal_spm(),
            duration_s,
            sample_rate_hz: f64::from(self.rate_hz),
            drift: 0.005,
            crosstalk_jitter_db: 0.2,
            event_jitter_db: 0.2,
            event_jitter_deg: 0.15,
            clanks_per_min: 1.0,
            pulse: true,
            day_seed: day,
            seed,
            ..ClipSpec::default()
        }
    }

    /// Modules 1 to 3 and the pulse over the same time: one seed is one turn of the crank for all.
    pub(crate) fn sound(&self, spec: &ClipSpec) -> Vec<Vec<f32>> {
        let mut out = Vec::new();
        let mut pulse = None;
        for module in 1..=3 {
            let made = self.room.record(&ClipSpec { module, ..spec.clone() }).unwrap();
            out.push(made.samples);
            pulse = pulse.or(made.pulse);
        }
        out.extend(pulse);
        out
    }

    /// Healthy up to a time, then with a leak; the same turns and noise throughout.
    pub(crate) fn leaking_from(&self, spec: &ClipSpec, from_s: f64, module: u32, fault: Fault) -> Vec<Vec<f32>> {
        let mut healthy = self.sound(spec);
        let sick = self.sound(&ClipSpec { fault: Some(fault), fault_module: module, ..spec.clone() });
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a time within the clip")]
        let at = (from_s * f64::from(self.rate_hz)) as usize;
        for (h, s) in healthy.iter_mut().zip(&sick) {
            h[at..].copy_from_slice(&s[at..]);
        }
        healthy
    }

    /// Enters a pump and good rounds of other days, accepted by a person; `stamp` makes each pump's bytes its own.
    pub(crate) fn good_rounds(&self, book: &mut Book, name: &str, rounds: u64, duration_s: f64, stamp: f32) {
        let pump = book.pump(name).unwrap();
        for day in 0..rounds {
            // The driller's speed is not quite the same every day.
            let spm = self.room.nominal_spm() * (1.0 + 0.004 * ((day * 7 % 5) as f64 - 2.0));
            let spec = ClipSpec { spm, ..self.spec(duration_s, 100 + day, 1000 + day) };
            let mut channels = self.sound(&spec);
            let at = Stamp::parse(&format!("2026-10-{:02}T06:00Z", 1 + day)).unwrap();
            let new = NewRound { at: Some(at.clone()), point: RoundChange::default() };
            let round = book.start_round(&pump, &new).unwrap();
            let pulse = channels.pop().unwrap();
            for (module, mut x) in (1..).zip(channels) {
                x[0] = stamp;
                let bytes = wav24(&[&x, &pulse], self.rate_hz);
                let spot = book.spot(&pump, module, None).unwrap();
                let new = NewClip { path: Path::new("good.wav"), taken_at: &at, pulse: Some(2) };
                book.add_sound(&round, &spot, &new, &bytes).unwrap();
            }
            book.change_round(round.id, &RoundChange::default(), true).unwrap();
            book.accept(&round, &[], "derrickman").unwrap();
        }
    }
}

/// A pump in a book.
pub(crate) fn pump(book: &mut Book, name: &str) {
    let new = NewPump {
        name: name.to_owned(),
        order: vec![1, 2, 3],
        stroke_m: 0.3048,
        rod_m: None,
        gear_ratio: None,
        rod_load_n: None,
        liners: Vec::new(),
        liner_m: None,
        units: UnitSystem::Us,
    };
    book.add_pump(&new).unwrap();
}

/// Frame by frame.
pub(crate) fn interleaved(channels: &[Vec<f32>]) -> Vec<f32> {
    let n = channels.iter().map(Vec::len).min().unwrap();
    (0..n).flat_map(|i| channels.iter().map(move |c| c[i])).collect()
}
