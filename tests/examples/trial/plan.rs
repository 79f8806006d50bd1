//! What is recorded in one room under one condition: good rounds, healthy rounds, rounds with a fault.

use seatsong::inside::sample::{Condition, Fault, Room, RoundSpec, ValveEvent};
use seatsong::inside::score::{Half, Pattern};

/// Steps of a hiss's level about the condition's floor, dB.
const STEPS_DB: [f64; 3] = [-3.0, 0.0, 3.0];

/// What a clip is in the trial.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum Kind {
    /// Known good: makes the baseline.
    Good,
    /// Healthy, to be judged.
    Healthy,
    /// At the faulty module of a faulty round.
    Faulty(Wrong),
    /// At another module of a faulty round.
    Beside(Wrong),
}

/// A fault as the tables name it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Wrong {
    /// The name of its kind.
    pub(crate) name: &'static str,
    /// Level in dB or lateness in degrees, where the kind has one.
    pub(crate) level: Option<f64>,
    /// The fault itself.
    pub(crate) fault: Fault,
}

impl Wrong {
    /// Whether it is a gated hiss.
    pub(crate) fn hisses(self) -> bool {
        self.fault.half_start_deg().is_some()
    }

    /// The half of the turn a reader should be told; `None` where the kind has no half of its own.
    pub(crate) fn half(self) -> Option<Half> {
        self.fault.half_start_deg().map(|d| if d < 90.0 { Half::Discharge } else { Half::Suction })
    }

    /// The pattern a reader should be told.
    pub(crate) fn pattern(self) -> Pattern {
        match self.fault {
            Fault::Knock { .. } => Pattern::Knock,
            Fault::LateClosing { .. } => Pattern::Shifted,
            Fault::MissingEvent { .. } => Pattern::Missing,
            Fault::Tone { .. } => Pattern::Tone,
            Fault::AllRoundHiss { .. } => Pattern::AllRound,
            _ => Pattern::Hiss,
        }
    }
}

/// One clip to be made.
#[derive(Debug, Clone)]
pub(crate) struct Job {
    /// Its walk.
    pub(crate) round: RoundSpec,
    /// Name of the walk: clips of one name are judged together.
    pub(crate) walk: String,
    /// Module at whose spot it is taken.
    pub(crate) module: u32,
    /// What it is.
    pub(crate) kind: Kind,
    /// Whether it carries a pulse channel.
    pub(crate) pulse: bool,
}

/// How much of everything.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Size {
    /// Good rounds.
    pub(crate) good: u64,
    /// Healthy rounds to be judged.
    pub(crate) healthy: u64,
    /// Rounds of each fault and level.
    pub(crate) repeats: u64,
    /// Of faulty rounds only the faulty module's clip.
    pub(crate) lean: bool,
}

/// Level of a hiss that must be found in a condition, dB.
pub(crate) fn floor_db(condition: Condition) -> f64 {
    match condition {
        Condition::Calm => -15.0,
        Condition::Daily => -12.0,
        Condition::Phone | Condition::Neighbour => -9.0,
    }
}

fn faults(condition: Condition) -> Vec<Wrong> {
    let mut out = Vec::new();
    for step in STEPS_DB {
        out.extend(leaks(floor_db(condition) + step));
    }
    out.push(Wrong { name: "knock", level: Some(0.0), fault: Fault::Knock { level_db: 0.0 } });
    out.push(Wrong {
        name: "late closing",
        level: Some(10.0),
        fault: Fault::LateClosing { deg: 10.0, harder_db: 2.0 },
    });
    for which in [ValveEvent::SuctionCloses, ValveEvent::DischargeCloses] {
        out.push(Wrong { name: "missing closing", level: None, fault: Fault::MissingEvent { which } });
    }
    out
}

/// The same fault with its hiss `by_db` louder.
pub(crate) fn louder(fault: Fault, by_db: f64) -> Fault {
    match fault {
        Fault::SuctionValve { level_db } => Fault::SuctionValve { level_db: level_db + by_db },
        Fault::DischargeValve { level_db } => Fault::DischargeValve { level_db: level_db + by_db },
        Fault::Piston { level_db } => Fault::Piston { level_db: level_db + by_db },
        other => other,
    }
}

/// Seed of the first round of a room under a condition.
pub(crate) fn first_round(seed: u64, condition: Condition) -> u64 {
    seed.wrapping_mul(1_000_003) ^ ((condition as u64 + 1) << 40)
}

/// The good rounds of a room under a condition; the first carries the pulse.
pub(crate) fn good_jobs(seed: u64, condition: Condition, room: &Room, n: u64) -> Vec<Job> {
    let mut out = Vec::new();
    for r in 0..n {
        let round = condition.round(first_round(seed, condition) + r, room);
        for module in 1..=3 {
            let walk = format!("good {}", r + 1);
            out.push(Job { round: round.clone(), walk, module, kind: Kind::Good, pulse: r == 0 });
        }
    }
    out
}

/// The three leaks at a level.
pub(crate) fn leaks(level_db: f64) -> [Wrong; 3] {
    [
        ("suction valve", Fault::SuctionValve { level_db }),
        ("discharge valve", Fault::DischargeValve { level_db }),
        ("piston", Fault::Piston { level_db }),
    ]
    .map(|(name, fault)| Wrong { name, level: Some(level_db), fault })
}

/// All clips of a room and condition, good ones first; the first good round carries the pulse.
pub(crate) fn jobs(seed: u64, condition: Condition, room: &Room, size: Size) -> Vec<Job> {
    let base = first_round(seed, condition);
    let mut out = good_jobs(seed, condition, room, size.good);
    for r in 0..size.healthy {
        let round = condition.round(base + 100 + r, room);
        for module in 1..=3 {
            let walk = format!("healthy {}", r + 1);
            out.push(Job { round: round.clone(), walk, module, kind: Kind::Healthy, pulse: false });
        }
    }
    let mut n = 0_u32;
    for repeat in 0..size.repeats {
        for wrong in faults(condition) {
            let mut round = condition.round(base + 1000 + u64::from(n), room);
            round.fault = Some(wrong.fault);
            // Every kind meets every module as rooms and repeats go on.
            round.fault_module = u32::try_from((u64::from(n) + seed + repeat) % 3).unwrap_or(0) + 1;
            for module in 1..=3 {
                let own = module == round.fault_module;
                if own || !size.lean {
                    let kind = if own { Kind::Faulty(wrong) } else { Kind::Beside(wrong) };
                    let walk = format!("faulty {n}");
                    out.push(Job { round: round.clone(), walk, module, kind, pulse: false });
                }
            }
            n += 1;
        }
    }
    out
}
