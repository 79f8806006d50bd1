//! Whole verdicts on made-up clips, without files.

use seatsong::inside::clip::{Clip, Code};
use seatsong::inside::map::{AnalyseSettings, analyse};
use seatsong::inside::sample::{ClipSpec, Condition, Fault, Room, RoomSettings, RoundSpec};
use seatsong::inside::score::{Angle, Half, Item, JudgeError, JudgeSettings, Pattern, State, judge_all};

fn clip_of(room: &Room, spec: &ClipSpec) -> Clip {
    let rec = room.record(spec).unwrap();
    Clip::in_memory(rec.samples, rec.sample_rate_hz, rec.pulse)
}

fn item(room: &Room, round: &RoundSpec, module: u32, pulse: bool) -> Item {
    let mut spec = round.clip(module);
    spec.pulse = pulse;
    spec.sample_rate_hz = 24_000.0;
    spec.duration_s = 20.0;
    Item {
        file: format!("m{module}.wav"),
        module: Some(module),
        round: Some(format!("{}", round.seed)),
        console_spm: None,
        pressure: Some(round.pressure),
        analysis: analyse(&clip_of(room, &spec), &AnalyseSettings::default()),
    }
}

fn room() -> (Room, Vec<u32>) {
    let settings = RoomSettings::drawn(77);
    (Room::new(77, &settings).unwrap(), settings.order)
}

fn goods(room: &Room, pulse: bool) -> Vec<Item> {
    (0..6)
        .flat_map(|r| {
            let round = Condition::Daily.round(500 + r, room);
            (1..=3).map(move |m| (round.clone(), m, pulse && r == 2)).collect::<Vec<_>>()
        })
        .map(|(round, m, pulse)| item(room, &round, m, pulse))
        .collect()
}

#[test]
fn a_leaking_discharge_valve_is_found_at_its_module_and_in_its_half() {
    let (room, order) = room();
    let goods = goods(&room, true);
    let mut round = Condition::Daily.round(900, &room);
    let settings = JudgeSettings { order, ..JudgeSettings::default() };
    let healthy: Vec<Item> = (1..=3).map(|m| item(&room, &round, m, false)).collect();
    let outcome = judge_all(&goods, &healthy, &settings).unwrap();
    assert!(outcome.clips.iter().all(|c| c.verdict == State::Steady), "{:?}", outcome.clips);
    assert!(outcome.baselines.iter().all(|b| b.angle == Angle::Absolute));
    round.fault = Some(Fault::DischargeValve { level_db: -3.0 });
    round.fault_module = 2;
    let washing: Vec<Item> = (1..=3).map(|m| item(&room, &round, m, false)).collect();
    let outcome = judge_all(&goods, &washing, &settings).unwrap();
    let worst = outcome.clips.iter().max_by(|a, b| a.departure.unwrap().total_cmp(&b.departure.unwrap())).unwrap();
    assert_eq!(worst.module, Some(2));
    assert_eq!((worst.verdict, worst.half, worst.pattern), (State::Departed, Half::Suction, Pattern::Hiss));
    assert!(worst.excess_db.unwrap() > 0.5 && worst.false_alarm.unwrap() < 0.001);
    // The same again, to the last digit.
    let again = judge_all(&goods, &washing, &settings).unwrap();
    assert_eq!(outcome.clips, again.clips);
}

#[test]
fn without_a_mark_the_half_is_unknown_and_the_reading_says_what_would_tell_it() {
    let (room, order) = room();
    let goods = goods(&room, false);
    let mut round = Condition::Daily.round(901, &room);
    round.fault = Some(Fault::SuctionValve { level_db: 0.0 });
    round.fault_module = 1;
    let settings = JudgeSettings { order, ..JudgeSettings::default() };
    let outcome = judge_all(&goods, &[item(&room, &round, 1, false)], &settings).unwrap();
    let c = &outcome.clips[0];
    assert_eq!((c.verdict, c.half), (State::Departed, Half::Unknown));
    assert!(c.reading.contains("taps"), "{}", c.reading);
    // One mark in today's clip makes all angles the module's own.
    let outcome = judge_all(&goods, &[item(&room, &round, 1, true)], &settings).unwrap();
    assert_eq!((outcome.clips[0].half, outcome.clips[0].pattern), (Half::Discharge, Pattern::Hiss));
}

#[test]
fn too_few_good_clips_are_an_error_that_says_how_many_are_needed() {
    let (room, _) = room();
    let round = Condition::Calm.round(1, &room);
    let one = item(&room, &round, 1, false);
    let err = judge_all(&[one.clone(), one.clone()], &[one], &JudgeSettings::default()).unwrap_err();
    assert!(matches!(err, JudgeError::FewGood { got: 2, .. }) && err.to_string().contains("at least 3"), "{err}");
}

#[test]
fn an_odd_good_clip_is_named_and_can_be_left_out() {
    let (room, order) = room();
    let mut goods = goods(&room, true);
    let mut round = Condition::Daily.round(950, &room);
    round.fault = Some(Fault::DischargeValve { level_db: 8.0 });
    round.fault_module = 1;
    let mut odd = item(&room, &round, 1, false);
    odd.file = "odd.wav".into();
    goods.push(odd);
    let now = item(&room, &Condition::Daily.round(951, &room), 1, false);
    let settings = JudgeSettings { order, ..JudgeSettings::default() };
    let outcome = judge_all(&goods, std::slice::from_ref(&now), &settings).unwrap();
    assert_eq!(outcome.odd[0].file, "odd.wav");
    assert!(outcome.baselines[0].quality.iter().any(|f| f.text.contains("--skip-odd")));
    let skipped = judge_all(&goods, &[now], &JudgeSettings { skip_odd: true, ..settings }).unwrap();
    assert!(skipped.odd[0].left_out && skipped.baselines[0].clips == 6);
}

#[test]
fn a_jump_of_speed_is_reported_and_the_steady_part_is_used() {
    let (room, _) = room();
    let mut spec = Condition::Calm.round(3, &room).clip(1);
    spec.duration_s = 20.0;
    spec.sample_rate_hz = 16_000.0;
    spec.spm = 70.0;
    let mut clip = clip_of(&room, &spec);
    spec.spm = 80.0;
    clip.samples.extend(clip_of(&room, &spec).samples);
    let a = analyse(&clip, &AnalyseSettings::default());
    assert!(a.findings.iter().any(|f| f.code == Code::RateJump), "{:?}", a.findings);
    let spm = a.takes[0].spm;
    assert!((spm - 70.0).abs() < 1.0 || (spm - 80.0).abs() < 1.0, "{spm}");
}

#[test]
fn a_console_reading_far_off_refuses_the_clip() {
    let (room, _) = room();
    let mut spec = Condition::Calm.round(3, &room).clip(1);
    spec.sample_rate_hz = 16_000.0;
    let clip = clip_of(&room, &spec);
    for wrong in [0.5, 0.7, 1.4, 2.0] {
        let a = analyse(&clip, &AnalyseSettings { hint_spm: Some(spec.spm * wrong), ..AnalyseSettings::default() });
        assert!(a.refusal().is_some(), "{wrong}: {:?}", a.takes.first().map(|t| t.spm));
    }
    let a = analyse(&clip, &AnalyseSettings { hint_spm: Some(spec.spm * 1.02), ..AnalyseSettings::default() });
    assert!(a.refusal().is_none() && (a.takes[0].spm / spec.spm - 1.0).abs() < 0.01);
}

#[test]
fn machines_without_strokes_are_judged_by_their_bands() {
    let noise = |seed: u64, extra: f32| {
        let mut rng = crate::Noise(seed);
        let mut low = 0.0_f32;
        let samples: Vec<f32> = (0..320_000)
            .map(|i| {
                let x = rng.next() as f32;
                low += 0.05 * (x - low);
                0.2 * low + 0.02 * x + extra * (i as f32 * 2.0 * std::f32::consts::PI * 3000.0 / 16_000.0).sin()
            })
            .collect();
        let clip = Clip::in_memory(samples, 16_000.0, None);
        let settings = AnalyseSettings { rotating: true, ..AnalyseSettings::default() };
        Item {
            file: format!("{seed}"),
            module: None,
            round: None,
            console_spm: None,
            pressure: None,
            analysis: analyse(&clip, &settings),
        }
    };
    let goods: Vec<Item> = (1..=6).map(|s| noise(s, 0.0)).collect();
    let settings = JudgeSettings { rotating: true, ..JudgeSettings::default() };
    let outcome = judge_all(&goods, &[noise(50, 0.0), noise(51, 0.02)], &settings).unwrap();
    assert_eq!(outcome.clips[0].verdict, State::Steady, "{:?}", outcome.clips[0]);
    assert_eq!((outcome.clips[1].verdict, outcome.clips[1].pattern), (State::Departed, Pattern::Tone));
}
