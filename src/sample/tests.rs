use super::noise::{mean_square, mean_square_above_2k5, power_to_db};
use super::room::NOMINAL_LEVEL_DB;
use super::spec::{Neighbour, SampleError};
use super::*;

fn room(seed: u64) -> Room {
    Room::new(seed, &RoomSettings::default()).unwrap()
}

/// Linear conditions: no automatic gain, no noise of the microphone.
fn plain() -> ClipSpec {
    ClipSpec {
        duration_s: 12.0,
        mic_noise_db: -200.0,
        rig_noise_db: -90.0,
        drift: 0.01,
        seed: 5,
        ..ClipSpec::default()
    }
}

fn wide(x: &[f32]) -> Vec<f64> {
    x.iter().map(|v| f64::from(*v)).collect()
}

fn level_db(x: &[f32]) -> f64 {
    power_to_db(mean_square(&wide(x)))
}

/// Own angle in deg of each sample, straight between the true zeros (the first and last stroke left out).
fn angles(r: &Recorded) -> Vec<Option<f64>> {
    (0..r.samples.len())
        .map(|i| {
            let t = i as f64 / r.sample_rate_hz;
            let k = r.zeros_s.partition_point(|z| *z <= t);
            (k > 0 && k < r.zeros_s.len()).then(|| 360.0 * (t - r.zeros_s[k - 1]) / (r.zeros_s[k] - r.zeros_s[k - 1]))
        })
        .collect()
}

#[test]
fn the_same_seeds_give_the_same_samples() {
    let spec = ClipSpec { agc: true, colour_db: 1.2, clanks_per_min: 30.0, pulse: true, duration_s: 3.0, ..plain() };
    assert_eq!(room(3).record(&spec).unwrap(), room(3).record(&spec).unwrap());
}

#[test]
fn two_rooms_and_two_clips_differ() {
    let a = room(3).record(&plain()).unwrap();
    let b = room(4).record(&plain()).unwrap();
    let c = room(3).record(&ClipSpec { seed: 6, ..plain() }).unwrap();
    assert_ne!(a.samples, b.samples);
    assert_ne!(a.samples, c.samples);
}

#[test]
fn nominal_clips_come_out_near_the_nominal_level() {
    for seed in 0..6 {
        for module in 1..=3 {
            let r = room(seed).record(&ClipSpec { module, rig_noise_db: 0.0, duration_s: 6.0, ..plain() }).unwrap();
            let db = level_db(&r.samples);
            let clipped = r.samples.iter().filter(|x| x.abs() >= 1.0).count();
            assert!(clipped < 3, "seed {seed}, module {module}: {clipped} clipped samples");
            assert!((db - NOMINAL_LEVEL_DB).abs() < 5.0, "{db}");
        }
    }
}

/// What a fault adds in linear conditions: the clip with it minus the same clip without.
fn added(room: &Room, spec: &ClipSpec) -> (Vec<f64>, Recorded) {
    let with = room.record(spec).unwrap();
    let without = room.record(&ClipSpec { fault: None, ..spec.clone() }).unwrap();
    let difference = with.samples.iter().zip(&without.samples).map(|(a, b)| f64::from(*a) - f64::from(*b)).collect();
    (difference, without)
}

/// Mean power over the samples whose own angle lies in `lo..hi`.
fn power_between(x: &[f64], angles: &[Option<f64>], lo: f64, hi: f64) -> f64 {
    let inside: Vec<f64> =
        x.iter().zip(angles).filter(|(_, a)| a.is_some_and(|a| a >= lo && a < hi)).map(|(x, _)| *x).collect();
    mean_square(&inside)
}

#[test]
fn a_leak_has_the_level_asked_for_and_stays_in_its_half() {
    // The level holds before the room; reverberation moves a little of it, hence 0.5 dB and -13 dB outside.
    for seed in 0..4_u64 {
        for (fault, lo) in [
            (Fault::SuctionValve { level_db: -3.0 }, 0.0),
            (Fault::Piston { level_db: -6.0 }, 0.0),
            (Fault::DischargeValve { level_db: -9.0 }, 180.0),
        ] {
            let module = 1 + u32::try_from(seed % 3).unwrap();
            let spec = ClipSpec {
                module,
                fault: Some(fault),
                fault_module: module,
                fault_seed: seed,
                gain_db: -10.0,
                ..plain()
            };
            let (leak, healthy) = added(&room(seed), &spec);
            let angles = angles(&healthy);
            let reference = mean_square_above_2k5(&wide(&healthy.samples), 48_000.0);
            let inside = power_between(&leak, &angles, lo, lo + 180.0);
            let outside = power_between(&leak, &angles, 180.0 - lo, 360.0 - lo);
            let got = power_to_db(inside / reference);
            let want = fault_level(fault);
            assert!((got - want).abs() < 0.5, "{fault:?}: {got}");
            assert!(power_to_db(outside / inside) < -13.0);
        }
    }
}

fn fault_level(fault: Fault) -> f64 {
    fault.numbers()[0]
}

#[test]
fn pulses_stand_at_the_true_zeros_and_their_spacing_is_the_true_speed() {
    let room = room(8);
    let spec = ClipSpec { pulse: true, drift: 0.0, duration_s: 30.0, spm: 71.3, ..plain() };
    let r = room.record(&spec).unwrap();
    let pulse = r.pulse.as_ref().unwrap();
    let rises: Vec<f64> =
        (1..pulse.len()).filter(|i| pulse[i - 1] < 0.25 && pulse[*i] >= 0.25).map(|i| i as f64 / 48_000.0).collect();
    let zeros = &r.zeros_s;
    assert_eq!(rises.len(), zeros.len());
    assert!(rises.iter().zip(zeros).all(|(a, b)| (a - b) >= 0.0 && (a - b) < 1.1 / 48_000.0));
    let turns = (rises.len() - 1) as f64;
    let spm = 60.0 * turns / (rises[rises.len() - 1] - rises[0]);
    assert!((spm / r.spm_mean - 1.0).abs() < 1e-4 && (r.spm_mean / 71.3 - 1.0).abs() < 1e-3, "{spm}");
}

#[test]
fn modules_run_a_third_of_a_turn_apart_by_firing_order() {
    let settings = RoomSettings { order: vec![1, 3, 2], ..RoomSettings::default() };
    let room = Room::new(8, &settings).unwrap();
    let start = |module| room.record(&ClipSpec { module, ..plain() }).unwrap().start_deg;
    let (one, two, three) = (start(1), start(2), start(3));
    assert!(((one - three).rem_euclid(360.0) - 120.0).abs() < 1e-6);
    assert!(((one - two).rem_euclid(360.0) - 240.0).abs() < 1e-6);
}

#[test]
fn a_leak_is_added_and_nothing_else_changes() {
    // With noise, colour, clanks and a neighbour on: all of these must draw the same numbers with and without the leak.
    let spec = ClipSpec {
        colour_db: 1.0,
        clanks_per_min: 20.0,
        mic_noise_db: -50.0,
        rig_noise_db: 0.0,
        gain_db: -12.0,
        duration_s: 6.0,
        neighbour: Some(Neighbour { spm: 75.0, level_db: -4.0 }),
        fault: Some(Fault::DischargeValve { level_db: -6.0 }),
        ..plain()
    };
    let louder =
        ClipSpec { fault: Some(Fault::DischargeValve { level_db: -6.0 + 20.0 * 2.0_f64.log10() }), ..spec.clone() };
    let room = room(2);
    let (once, _) = added(&room, &spec);
    let (twice, _) = added(&room, &louder);
    // Single-precision samples of up to 1: an error of 6e-8 each, three of them in the comparison.
    assert!(once.iter().zip(&twice).all(|(a, b)| (2.0 * a - b).abs() < 3e-7));
    assert!(mean_square(&once) > 1e-8);
}

#[test]
fn a_leak_grows_with_pressure() {
    let room = room(2);
    let at = |pressure| {
        let spec = ClipSpec { pressure, fault: Some(Fault::SuctionValve { level_db: 0.0 }), gain_db: -10.0, ..plain() };
        let (leak, healthy) = added(&room, &spec);
        power_to_db(mean_square(&leak) / mean_square_above_2k5(&wide(&healthy.samples), 48_000.0))
    };
    // Power to the 1.5: 10 lg 1.2^1.5 = 1.19 dB against the (also louder) healthy sound.
    let grown = at(1.2) - at(1.0);
    assert!((grown - 1.19).abs() < 0.1, "{grown}");
}

#[test]
fn a_leak_next_door_is_heard_fainter_at_its_own_angle() {
    let room = room(6);
    let clip = |module| ClipSpec {
        module,
        fault: Some(Fault::SuctionValve { level_db: 0.0 }),
        fault_module: 2,
        gain_db: -10.0,
        ..plain()
    };
    let own = added(&room, &clip(2));
    let (next, heard_at_one) = added(&room, &clip(1));
    let fall = power_to_db(mean_square(&own.0) / mean_square(&next));
    assert!(fall > 5.0 && fall < 25.0, "{fall}");
    // Module 2 fires 120 deg after module 1: its discharge half is 120..300 deg of module 1's turn.
    let angles = angles(&heard_at_one);
    let inside = power_between(&next, &angles, 120.0, 300.0);
    let outside = power_between(&next, &angles, 0.0, 110.0);
    assert!(power_to_db(outside / inside) < -12.0);
}

#[test]
fn knocks_come_early_in_the_discharge_half_with_the_energy_asked_for() {
    let room = room(5);
    let change = |fault| added(&room, &ClipSpec { duration_s: 30.0, fault: Some(fault), gain_db: -12.0, ..plain() });
    let (knock, healthy) = change(Fault::Knock { level_db: 3.0 });
    let angles = angles(&healthy);
    let inside = power_between(&knock, &angles, 10.0, 110.0);
    let rest = power_between(&knock, &angles, 150.0, 360.0);
    assert!(power_to_db(rest / inside) < -15.0);
    let closing = |which| mean_square(&change(Fault::MissingEvent { which }).0);
    let mean = 0.5 * (closing(ValveEvent::SuctionCloses) + closing(ValveEvent::DischargeCloses));
    // One stroke in seven has no knock (-0.7 dB), and 2.5 dB of scatter raise the mean power by 0.7 dB; 35 strokes
    // and early reflections leave some 2 dB of play.
    let db = power_to_db(mean_square(&knock) / mean);
    assert!((db - 3.0).abs() < 2.0, "{db}");
}

#[test]
fn a_missing_event_takes_away_what_stood_at_its_angle() {
    let room = room(5);
    for which in ValveEvent::ALL {
        let fault = Some(Fault::MissingEvent { which });
        let (gone, healthy) = added(&room, &ClipSpec { fault, gain_db: -12.0, ..plain() });
        let angles = angles(&healthy);
        let half = if which.index() < 2 { 0.0 } else { 180.0 };
        // Within the first 40 deg of the half, and then reverberation.
        let there = power_between(&gone, &angles, half, half + 40.0) * 40.0;
        let late = power_between(&gone, &angles, half + 40.0, half + 179.0) * 139.0;
        let other = power_between(&gone, &angles, 180.0 - half, 359.0 - half) * 179.0;
        assert!(there > 0.0 && power_to_db(late / there) < -8.0 && power_to_db(other / there) < -12.0, "{which:?}");
    }
}

#[test]
fn a_late_closing_moves_to_a_later_angle() {
    let room = room(5);
    let fault = Some(Fault::LateClosing { deg: 30.0, harder_db: 6.0 });
    let (change, healthy) = added(&room, &ClipSpec { fault, gain_db: -12.0, ..plain() });
    let angles = angles(&healthy);
    // Which of the two closings is late, the fault's seed says; the old place and the new lie within 70 deg of its half.
    let near = |half: f64| power_between(&change, &angles, half, half + 70.0);
    let half = if near(0.0) > near(180.0) { 0.0 } else { 180.0 };
    let new = power_between(&change, &angles, half + 30.0, half + 60.0);
    let old = power_between(&change, &angles, half, half + 28.0);
    assert!(new > 1.5 * old && near(180.0 - half) < 0.1 * near(half), "{new} {old}");
}

#[test]
fn tones_and_all_round_hiss_have_the_level_asked_for() {
    for fault in [Fault::Tone { freq_hz: 3100.0, level_db: -6.0 }, Fault::AllRoundHiss { level_db: -6.0 }] {
        let (add, healthy) = added(&room(5), &ClipSpec { fault: Some(fault), gain_db: -12.0, ..plain() });
        let db = power_to_db(mean_square(&add) / mean_square_above_2k5(&wide(&healthy.samples), 48_000.0));
        // The room is not flat for a single tone: early reflections add or take a few dB.
        let room_db = if matches!(fault, Fault::Tone { .. }) { 6.0 } else { 0.5 };
        assert!((db + 6.0).abs() < room_db, "{fault:?}: {db}");
    }
}

#[test]
fn automatic_gain_narrows_the_range_of_levels() {
    let room = room(5);
    let level = |agc, gain_db| {
        let spec = ClipSpec { agc, gain_db, duration_s: 8.0, ..plain() };
        level_db(&room.record(&spec).unwrap().samples)
    };
    let (plain, ridden) = (level(false, 0.0) - level(false, -10.0), level(true, 0.0) - level(true, -10.0));
    assert!((plain - 10.0).abs() < 0.2, "{plain}");
    assert!(ridden < 6.0 && ridden > 0.5, "{ridden}");
}

#[test]
fn the_neighbour_pump_has_the_level_asked_for() {
    let room = room(5);
    let clip = |neighbour| ClipSpec { neighbour, gain_db: -12.0, ..plain() };
    let with = wide(&room.record(&clip(Some(Neighbour { spm: 76.0, level_db: -4.0 }))).unwrap().samples);
    let without = wide(&room.record(&clip(None)).unwrap().samples);
    let other: Vec<f64> = with.iter().zip(&without).map(|(a, b)| a - b).collect();
    let db = power_to_db(mean_square(&other) / mean_square(&without));
    // Set before the room, whose colour differs a little for the two pumps.
    assert!((db + 4.0).abs() < 1.0, "{db}");
}

#[test]
fn levels_do_not_depend_on_the_sample_rate() {
    let room = room(5);
    let band = |sample_rate_hz| {
        let r = room.record(&ClipSpec { sample_rate_hz, drift: 0.0, rig_noise_db: 0.0, ..plain() }).unwrap();
        level_db(&r.samples)
    };
    // The start of the turn is the same; no microphone hears above 20 kHz.
    assert!((band(48_000.0) - band(44_100.0)).abs() < 0.3);
    assert!((band(48_000.0) - band(96_000.0)).abs() < 0.3);
}

#[test]
fn speed_and_pressure_make_it_louder_smoothly() {
    let room = room(5);
    let level = |spm, pressure| level_db(&room.record(&ClipSpec { spm, pressure, ..plain() }).unwrap().samples);
    let (low, mid, high) = (level(66.0, 1.0), level(70.0, 1.0), level(74.0, 1.0));
    assert!(low < mid && mid < high && high - low < 3.0, "{low} {mid} {high}");
    assert!(level(70.0, 1.07) > mid && level(70.0, 1.07) - mid < 1.0);
}

#[test]
fn a_standing_pump_gives_noise_without_strokes() {
    let r = room(5)
        .record(&ClipSpec {
            stopped: true,
            rig_noise_db: 0.0,
            pulse: true,
            fault: Some(Fault::Knock { level_db: 20.0 }),
            ..plain()
        })
        .unwrap();
    assert!(r.zeros_s.is_empty() && r.pulse.unwrap().iter().all(|x| *x < 0.1));
    let db = level_db(&r.samples);
    assert!(db > -60.0 && db < NOMINAL_LEVEL_DB, "{db}");
}

#[test]
fn impossible_wishes_are_named_and_never_panic() {
    let room = room(1);
    let bad = [
        ClipSpec { module: 0, ..plain() },
        ClipSpec { module: 4, ..plain() },
        ClipSpec { spm: f64::NAN, ..plain() },
        ClipSpec { sample_rate_hz: 0.0, ..plain() },
        ClipSpec { duration_s: f64::INFINITY, ..plain() },
        ClipSpec { fault: Some(Fault::Tone { freq_hz: 30_000.0, level_db: 0.0 }), ..plain() },
    ];
    for spec in bad {
        assert!(matches!(room.record(&spec), Err(SampleError::OutOfRange { .. })), "{spec:?}");
    }
    for order in [vec![], vec![1, 1, 2], vec![0, 1, 2], vec![2, 3, 4]] {
        assert!(matches!(Room::new(1, &RoomSettings { order, nominal_spm: 70.0 }), Err(SampleError::Order { .. })));
    }
    // The smallest clips, and pumps with other counts of modules.
    assert_eq!(room.record(&ClipSpec { duration_s: 0.05, agc: true, ..plain() }).unwrap().samples.len(), 2400);
    for order in [vec![1], vec![1, 2], vec![1, 3, 5, 2, 4]] {
        let room = Room::new(1, &RoomSettings { order, nominal_spm: 70.0 }).unwrap();
        assert!(room.record(&ClipSpec { duration_s: 1.0, sample_rate_hz: 8000.0, ..plain() }).is_ok());
    }
}

#[test]
fn rounds_follow_the_figures_of_the_trial() {
    let room = room(1);
    let mut widest = [0.0_f64; 4];
    for seed in 0..200 {
        for condition in Condition::ALL {
            let round = condition.round(seed, &room);
            let calm = condition == Condition::Calm;
            let (off, press) = ((round.spm - 70.0).abs(), (round.pressure - 1.0).abs());
            assert!(off <= if calm { 0.0 } else { 4.0 } && press <= if calm { 0.0 } else { 0.07 });
            assert!((round.console_spm(2) - round.spm).abs() <= 1.5);
            let clip = round.clip(2);
            let gain = match condition {
                Condition::Calm => 0.0,
                Condition::Phone => 5.0,
                _ => 2.0,
            };
            assert!(clip.gain_db.abs() <= gain && clip.check(3).is_ok());
            assert_ne!(clip.seed, round.clip(1).seed);
            assert_eq!(clip.day_seed, round.clip(1).day_seed);
            if let Some(n) = round.neighbour {
                let away = (n.spm - round.spm).abs();
                assert!((2.0..=9.0).contains(&away) && condition == Condition::Neighbour);
            }
            widest = [widest[0].max(off), widest[1].max(press), widest[2].max(clip.gain_db.abs()), widest[3]];
        }
    }
    assert!(widest[0] > 3.8 && widest[1] > 0.066 && widest[2] > 4.8);
}

#[test]
fn a_wav_file_holds_what_was_recorded() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("a/m1.wav");
    let r = room(1).record(&ClipSpec { pulse: true, duration_s: 1.0, ..plain() }).unwrap();
    write_wav(&path, &r, 24).unwrap();
    let mut reader = hound::WavReader::open(&path).unwrap();
    assert_eq!(reader.spec().channels, 2);
    let all: Vec<i32> = reader.samples::<i32>().map(Result::unwrap).collect();
    assert_eq!(all.len(), 2 * r.samples.len());
    let top = 8_388_607.0;
    for (i, x) in r.samples.iter().enumerate() {
        assert!((f64::from(all[2 * i]) / top - f64::from(*x)).abs() <= 0.51 / top);
    }
    assert!(matches!(write_wav(&path, &r, 4), Err(SampleError::OutOfRange { .. })));
}

#[test]
fn a_scenario_with_parts_that_do_not_fit_says_which() {
    let start = "rig = \"x\"\nseed = 1\n[[pump]]\nname = \"a\"\nseed = 1\nnominal_spm = 70.0\n";
    let told = |more: &str| {
        let err = Scenario::parse(&format!("{start}{more}"), std::path::Path::new("s.toml")).unwrap_err();
        err.to_string()
    };
    assert!(told("[[pump.round]]\nmodules = [4]\n").contains("module 4"));
    assert!(told("[[pump.round]]\nfault = { kind = \"knock\", level_db = 0.0 }\n").contains("fault_module"));
    assert!(told("[[pump.round]]\nname = \"../up\"\n").contains("../up"));
    assert!(told("[[pump.round]]\nname = \"r\"\n[[pump.round]]\nname = \"r\"\n").contains("two rounds"));
    assert!(told("colour = 3\n").contains("cannot understand"));
    let fine = Scenario::parse(&format!("{start}[[pump.round]]\n"), std::path::Path::new("s.toml")).unwrap();
    assert_eq!(fine.plan(&fine.rooms().unwrap()).unwrap().len(), 3);
}
