//! Clips of low sample rates: judged over the bands there are, refused with the true reason where there are none.

use seatsong::inside::clip::{Clip, Code};
use seatsong::inside::dsp::bands::{band_edges_hz, usable_bands};
use seatsong::inside::map::{AnalyseSettings, analyse, rate_too_low};
use seatsong::inside::sample::{ClipSpec, Condition, Fault, Room, RoomSettings, RoundSpec};
use seatsong::inside::score::{Item, JudgeSettings, Pattern, PumpShape, State, compare, judge_all, odd_ones};

/// A clip as a recorder of this rate would have taken it: means of neighbours of one of a higher rate.
fn item(room: &Room, round: &RoundSpec, module: u32, rate_hz: f64) -> Item {
    let by = (4000.0 / rate_hz).ceil() as usize;
    let spec = ClipSpec { sample_rate_hz: rate_hz * by as f64, duration_s: 20.0, ..round.clip(module) };
    let rec = room.record(&spec).unwrap();
    let samples = rec.samples.chunks_exact(by).map(|c| c.iter().sum::<f32>() / by as f32).collect();
    Item {
        file: format!("m{module}-{rate_hz}.wav"),
        module: Some(module),
        round: Some(round.seed.to_string()),
        console_spm: None,
        pressure: Some(round.pressure),
        analysis: analyse(&Clip::in_memory(samples, rate_hz, None), &AnalyseSettings::default()),
    }
}

fn walk(room: &Room, seed: u64, rate_hz: f64) -> Vec<Item> {
    let round = Condition::Calm.round(seed, room);
    (1..=3).map(|m| item(room, &round, m, rate_hz)).collect()
}

fn room() -> (Room, JudgeSettings) {
    let settings = RoomSettings::drawn(81);
    let judge = JudgeSettings { order: settings.order.clone(), ..JudgeSettings::default() };
    (Room::new(81, &settings).unwrap(), judge)
}

#[test]
fn a_rate_that_carries_too_little_is_refused_with_its_reason() {
    let (room, _) = room();
    for rate_hz in [200.0, 500.0, 1000.0, 2000.0, 2400.0, 4000.0] {
        let item = &walk(&room, 1, rate_hz)[0];
        match rate_too_low(rate_hz) {
            Some(refusal) => {
                assert_eq!(item.analysis.refusal(), Some(&refusal));
                assert_eq!(refusal.code, Code::NarrowBand);
                assert!(refusal.text.contains(&format!("{rate_hz} samples a second")), "{}", refusal.text);
                assert!(refusal.text.contains("record at"), "{}", refusal.text);
            }
            None => assert!(item.analysis.refusal().is_none_or(|f| f.code != Code::NarrowBand), "{rate_hz}"),
        }
    }
    assert!(rate_too_low(500.0).is_some() && rate_too_low(1000.0).is_none());
}

#[test]
fn low_rates_are_judged_over_the_bands_there_are() {
    let (room, judge) = room();
    for rate_hz in [1600.0, 2000.0, 2400.0, 3000.0] {
        let usable = |seed| walk(&room, seed, rate_hz).into_iter().filter(|i| i.analysis.refusal().is_none());
        let goods: Vec<Item> = (10..14).flat_map(usable).collect();
        let nows: Vec<Item> = usable(50).collect();
        assert!(nows.len() > 1, "{rate_hz}");
        let outcome = judge_all(&goods, &nows, &judge).unwrap();
        for c in &outcome.clips {
            assert_eq!(c.verdict, State::Steady, "{rate_hz}: {c:?}");
            assert_eq!(c.hiss_sd.is_none(), usable_bands(&band_edges_hz(), rate_hz) < 10, "{rate_hz}: {c:?}");
            let told = c.quality.iter().any(|f| f.code == Code::NarrowBand && f.text.contains("the hiss of a leak"));
            assert!(told, "{rate_hz}: {c:?}");
        }
    }
}

#[test]
fn families_without_filters_take_no_share_of_the_chance() {
    let (room, judge) = room();
    let shape = PumpShape { order: judge.order };
    let goods: Vec<Item> = (0..3).flat_map(|r| walk(&room, 10 + r, 4000.0)).collect();
    let nows = walk(&room, 50, 4000.0);
    for n_band in [0, 1, 2, 3, 9, 10] {
        let narrowed = |items: &[Item]| {
            let mut items = items.to_vec();
            items.iter_mut().flat_map(|i| &mut i.analysis.takes).for_each(|t| t.map.n_usable = n_band);
            items
        };
        let found = compare(&narrowed(&goods), &narrowed(&nows), &shape);
        for spot in &found.spots {
            assert!(spot.scorer.bank.families.iter().all(|f| !f.is_empty()), "{n_band}");
            assert_eq!(spot.scorer.bank.families.iter().any(|f| f.pattern == Pattern::Hiss), n_band >= 10);
        }
        for j in found.judged.iter().flatten() {
            assert!(j.combined.departure.is_finite() && j.combined.false_alarm > 0.0, "{n_band}: {:?}", j.combined);
        }
        let odd = odd_ones(&narrowed(&goods), &shape).unwrap();
        assert!(odd.lead_db.is_finite(), "{n_band}: {odd:?}");
    }
}

#[test]
fn one_good_clip_of_a_low_rate_does_not_take_the_others_bands() {
    let (room, judge) = room();
    let mut goods: Vec<Item> = (0..4).flat_map(|r| walk(&room, 10 + r, 16_000.0)).collect();
    let mut washing = Condition::Calm.round(50, &room);
    (washing.fault, washing.fault_module) = (Some(Fault::DischargeValve { level_db: 3.0 }), 2);
    let nows: Vec<Item> = (1..=3).map(|m| item(&room, &washing, m, 16_000.0)).collect();
    let before = judge_all(&goods, &nows, &judge).unwrap();
    goods.push(item(&room, &Condition::Calm.round(20, &room), 2, 4000.0));
    let after = judge_all(&goods, &nows, &judge).unwrap();
    assert_eq!(before.clips, after.clips);
    let told = &after.baselines[1].quality;
    assert!(told.iter().any(|f| f.code == Code::NarrowBand && f.text.contains("m2-4000.wav")), "{told:?}");
    // A module that has only such clips is judged by them, and the others over all their bands.
    goods.retain(|g| g.module != Some(2));
    goods.extend((0..4).map(|r| item(&room, &Condition::Calm.round(10 + r, &room), 2, 4000.0)));
    let mixed = judge_all(&goods, &nows, &judge).unwrap();
    assert_eq!(mixed.baselines.iter().map(|b| b.sample_rate_hz).collect::<Vec<_>>(), [16_000.0, 4000.0, 16_000.0]);
    assert!(mixed.clips.iter().all(|c| c.departure.is_some()), "{:?}", mixed.clips);
    let top = |k: usize| {
        mixed.maps[k].as_ref().unwrap().good.level_db.rows().into_iter().filter(|r| r[0].is_finite()).count()
    };
    assert_eq!([top(0), top(1), top(2)], [24, 13, 24]);
    // A present clip of a low rate among good ones of a high one, too.
    let low = judge_all(&goods, &[nows[0].clone(), item(&room, &washing, 3, 2500.0)], &judge).unwrap();
    assert!(low.clips.iter().all(|c| c.departure.is_some()), "{:?}", low.clips);
    assert!(low.clips[1].quality.iter().any(|f| f.code == Code::NarrowBand), "{:?}", low.clips[1]);
}
