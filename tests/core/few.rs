//! Good clips of one or two rounds: a verdict from them is provisional, and no healthy module departs.

use seatsong::inside::clip::{Clip, Code};
use seatsong::inside::map::{AnalyseSettings, analyse};
use seatsong::inside::sample::{ClipSpec, Condition, Fault, Room, RoomSettings, RoundSpec};
use seatsong::inside::score::{Item, JudgeSettings, Outcome, State, judge_all, n_rounds};

const RATE_HZ: f64 = 16_000.0;
const CLIP_S: f64 = 20.0;

/// Clips cut from one recording at a module's spot: nothing was moved between them.
fn cut(room: &Room, round: &RoundSpec, module: u32, n: usize) -> Vec<Item> {
    let whole = ClipSpec { sample_rate_hz: RATE_HZ, duration_s: n as f64 * CLIP_S, ..round.clip(module) };
    let rec = room.record(&whole).unwrap();
    rec.samples
        .chunks_exact((RATE_HZ * CLIP_S) as usize)
        .enumerate()
        .map(|(k, samples)| Item {
            file: format!("m{module}-{k}.wav"),
            module: Some(module),
            round: Some(round.seed.to_string()),
            console_spm: None,
            pressure: Some(round.pressure),
            analysis: analyse(&Clip::in_memory(samples.to_vec(), RATE_HZ, None), &AnalyseSettings::default()),
        })
        .collect()
}

fn walk(room: &Room, round: &RoundSpec) -> Vec<Item> {
    (1..=3).flat_map(|m| cut(room, round, m, 1)).collect()
}

fn room(seed: u64) -> (Room, JudgeSettings) {
    let settings = RoomSettings::drawn(seed);
    let judge = JudgeSettings { order: settings.order.clone(), ..JudgeSettings::default() };
    (Room::new(seed, &settings).unwrap(), judge)
}

fn all_of_round(items: &mut [Item], name: &str) {
    items.iter_mut().for_each(|i| i.round = Some(name.into()));
}

/// Nothing departs, all is called provisional, and no chance below that of the limit is claimed.
fn check_provisional(outcome: &Outcome, rounds: usize) {
    for b in &outcome.baselines {
        assert_eq!((b.rounds, b.rounds_known), (rounds, true));
        assert!(b.quality.iter().any(|f| f.code == Code::Provisional), "{b:?}");
    }
    for c in &outcome.clips {
        assert!(c.quality.iter().any(|f| f.code == Code::Provisional), "{c:?}");
        assert!(c.reading.starts_with("Provisional. "), "{}", c.reading);
        assert!(c.false_alarm.unwrap() >= 0.01, "{c:?}");
    }
}

#[test]
fn good_clips_that_were_all_given_one_round_make_no_healthy_module_depart() {
    let (room, judge) = room(77);
    let mut goods: Vec<Item> = (0..6).flat_map(|r| walk(&room, &Condition::Daily.round(500 + r, &room))).collect();
    let nows = walk(&room, &Condition::Daily.round(900, &room));
    for (names, rounds) in [(1, 1), (2, 2)] {
        for (k, walk) in goods.chunks_mut(3).enumerate() {
            all_of_round(walk, &format!("good {}", k % names));
        }
        let outcome = judge_all(&goods, &nows, &judge).unwrap();
        check_provisional(&outcome, rounds);
        assert!(outcome.clips.iter().all(|c| c.verdict == State::Steady), "{rounds}: {:?}", outcome.clips);
        let mut washing = Condition::Daily.round(900, &room);
        (washing.fault, washing.fault_module) = (Some(Fault::DischargeValve { level_db: 6.0 }), 2);
        let outcome = judge_all(&goods, &walk(&room, &washing), &judge).unwrap();
        check_provisional(&outcome, rounds);
        let worst = outcome.clips.iter().max_by(|a, b| a.departure.unwrap().total_cmp(&b.departure.unwrap())).unwrap();
        assert!(worst.module == Some(2) && worst.departure.unwrap() > 1.0, "{:?}", outcome.clips);
    }
}

#[test]
fn one_recording_cut_into_good_clips_makes_no_healthy_module_depart() {
    let (room, judge) = room(78);
    let first = Condition::Daily.round(600, &room);
    let goods: Vec<Item> = (1..=3).flat_map(|m| cut(&room, &first, m, 4)).collect();
    let nows: Vec<Item> = (0..3).flat_map(|r| walk(&room, &Condition::Daily.round(700 + r, &room))).collect();
    let outcome = judge_all(&goods, &nows, &judge).unwrap();
    check_provisional(&outcome, 1);
    assert!(outcome.clips.iter().all(|c| c.verdict != State::Departed), "{:?}", outcome.clips);
    assert!(outcome.clips.iter().filter(|c| c.verdict == State::Steady).count() >= 8, "{:?}", outcome.clips);
    // The same clip under many names tells nothing of how clips scatter.
    let copies: Vec<Item> =
        goods.iter().flat_map(|g| vec![g.clone(); if g.file.ends_with("-0.wav") { 4 } else { 0 }]).collect();
    let outcome = judge_all(&copies, &nows, &judge).unwrap();
    assert!(outcome.clips.iter().all(|c| c.verdict != State::Departed), "{:?}", outcome.clips);
}

#[test]
fn a_module_of_few_rounds_changes_nothing_for_the_others() {
    let (room, judge) = room(77);
    let mut goods: Vec<Item> = (0..4).flat_map(|r| walk(&room, &Condition::Daily.round(500 + r, &room))).collect();
    let nows = walk(&room, &Condition::Daily.round(900, &room));
    goods.iter_mut().filter(|g| g.module == Some(3)).for_each(|g| g.round = Some("500".into()));
    assert_eq!([1, 2, 3].map(|m| n_rounds(&goods, Some(m))), [4, 4, 1]);
    let with = judge_all(&goods, &nows, &judge).unwrap();
    goods.retain(|g| g.module != Some(3));
    let without = judge_all(&goods, &nows[..2], &judge).unwrap();
    assert_eq!(with.clips[..2], without.clips[..]);
    assert!(with.clips[2].reading.starts_with("Provisional. "));
}

#[test]
fn a_module_without_enough_good_clips_is_unjudged_and_the_others_are_judged() {
    let (room, judge) = room(77);
    let mut goods: Vec<Item> = (0..4).flat_map(|r| walk(&room, &Condition::Calm.round(500 + r, &room))).collect();
    goods.retain(|g| g.module != Some(2) || g.round.as_deref() < Some("502"));
    let outcome = judge_all(&goods, &walk(&room, &Condition::Calm.round(900, &room)), &judge).unwrap();
    let states: Vec<State> = outcome.clips.iter().map(|c| c.verdict).collect();
    assert_eq!(states, [State::Steady, State::Unjudged, State::Steady]);
    assert_eq!(outcome.baselines.iter().map(|b| b.module).collect::<Vec<_>>(), [Some(1), Some(3)]);
    let reason = outcome.clips[1].reason.as_deref().unwrap();
    assert!(reason.contains("2 usable good clip(s) for module 2") && reason.contains("at least 3"), "{reason}");
}
