use super::*;

const RATE_HZ: f64 = 48_000.0;

fn noise(n: usize, level: f32) -> Vec<f32> {
    let mut state = 7_u32;
    (0..n)
        .map(|_| {
            state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            level * (state as f32 / 2.0_f32.powi(31) - 1.0)
        })
        .collect()
}

fn settings() -> ListenSettings {
    ListenSettings {
        band_hz: [3200.0, 11_000.0],
        arc_deg: None,
        order: vec![1, 2, 3],
        module: None,
        gain_db: None,
        ceiling_dbfs: -25.0,
    }
}

#[test]
fn nothing_passes_the_ceiling_whatever_comes() {
    let ceiling = db_to_amplitude(-25.0, 1.0);
    let mut l = Limiter::new(ceiling, RATE_HZ);
    let mut wild: Vec<f64> = noise(48_000, 3.0).into_iter().map(f64::from).collect();
    wild[10_000] = f64::NAN;
    wild[20_000] = f64::INFINITY;
    wild[30_000..30_010].fill(1e30);
    wild[40_000..].iter_mut().for_each(|x| *x *= 1e-3);
    for x in wild {
        let y = l.step(x);
        assert!(y.abs() <= ceiling, "{y}");
    }
    let mut whole = Listener::new(&ListenSettings { gain_db: Some(60.0), ..settings() }, RATE_HZ).unwrap();
    for x in noise(48_000, 1.0) {
        assert!(f64::from(whole.step(x, None)) <= ceiling * (1.0 + 1e-6));
    }
    assert!((whole.peak_dbfs() + 25.0).abs() < 1.0, "{}", whole.peak_dbfs());
}

#[test]
fn what_lies_below_the_ceiling_only_comes_later() {
    let mut l = Limiter::new(0.5, RATE_HZ);
    let x: Vec<f64> = noise(5000, 0.49).into_iter().map(f64::from).collect();
    let y: Vec<f64> = x.iter().map(|&x| l.step(x)).collect();
    let d = l.delay();
    assert!(d < 1000, "{d} samples");
    for i in d..x.len() {
        assert!((y[i] - x[i - d]).abs() < 1e-12, "{i}");
    }
    // After a bang it comes back within a second or two.
    l.step(50.0);
    let late: Vec<f64> = (0..96_000).map(|_| l.step(0.4)).collect();
    assert!(late[1000] < 0.1 && late[95_999] > 0.399, "{} {}", late[1000], late[95_999]);
}

#[test]
fn a_quiet_band_is_brought_up_to_the_ear() {
    let mut l = Listener::new(&settings(), RATE_HZ).unwrap();
    let out: Vec<f32> = noise(10 * 48_000, 0.003).into_iter().map(|x| l.step(x, None)).collect();
    let late = &out[5 * 48_000..];
    let rms = (late.iter().map(|x| f64::from(*x).powi(2)).sum::<f64>() / late.len() as f64).sqrt();
    assert!((amplitude_to_db(rms, 1.0) + 37.0).abs() < 1.0, "{}", amplitude_to_db(rms, 1.0));
    // Silence stays silent: no gain without end.
    let mut quiet = Listener::new(&settings(), RATE_HZ).unwrap();
    let most = (0..48_000).map(|_| quiet.step(0.0, None).abs()).fold(0.0, f32::max);
    assert!(most < 1e-12);
}

/// A pulse of 5 ms at each whole turn.
fn pulse(i: usize, turn: usize) -> f32 {
    if i % turn < 240 { 0.6 } else { 0.001 }
}

#[test]
fn the_angle_follows_the_pulses_and_is_given_up_when_they_cease() {
    let mut p = PulseAngle::new(RATE_HZ);
    let turn = 36_000;
    for i in 0..10 * turn {
        let angle = p.step(f64::from(pulse(i, turn)));
        if i < turn {
            assert_eq!(angle, None, "{i}");
        } else {
            let want = 360.0 * (i % turn) as f64 / turn as f64;
            assert!((angle.unwrap() - want).abs() < 0.5, "{i} {angle:?} {want}");
        }
    }
    let after: Vec<Option<f64>> = (0..2 * turn).map(|_| p.step(0.001)).collect();
    assert!(after[turn / 4].is_some() && after[turn..].iter().all(Option::is_none));
    // Noise and silence tell no angle.
    let mut p = PulseAngle::new(RATE_HZ);
    assert!(noise(100_000, 0.01).into_iter().all(|x| p.step(f64::from(x)).is_none()));
}

#[test]
fn the_arc_is_heard_out_at_the_modules_own_angle() {
    // Module 2 runs 120 degrees behind module 1: its arc 30-150 lies at 150-270 of the pulses.
    let wish = ListenSettings { arc_deg: Some([30.0, 150.0]), module: Some(2), gain_db: Some(20.0), ..settings() };
    let mut l = Listener::new(&wish, RATE_HZ).unwrap();
    let turn = 48_000;
    let out: Vec<f32> =
        noise(6 * turn, 0.003).into_iter().enumerate().map(|(i, x)| l.step(x, Some(pulse(i, turn)))).collect();
    let delay = l.limiter.delay();
    let level = |from_deg: usize, to_deg: usize| {
        let at = |deg: usize| 4 * turn + deg * turn / 360 + delay;
        let part = &out[at(from_deg)..at(to_deg)];
        amplitude_to_db((part.iter().map(|x| f64::from(*x).powi(2)).sum::<f64>() / part.len() as f64).sqrt(), 1.0)
    };
    let inside = level(160, 260);
    for (from, to) in [(0, 140), (280, 350)] {
        assert!((inside - level(from, to) - 20.0).abs() < 1.5, "{inside} {}", level(from, to));
    }
    assert!((level(160, 200) - level(220, 260)).abs() < 1.0);
    assert!(l.gated_share() > 0.7);
    // An arc over 0, and no pulses at all.
    let over = ListenSettings { arc_deg: Some([340.0, 20.0]), gain_db: Some(20.0), ..settings() };
    let mut l = Listener::new(&over, RATE_HZ).unwrap();
    let open: Vec<f32> = noise(turn, 0.003).into_iter().map(|x| l.step(x, None)).collect();
    let rms = (open[2000..].iter().map(|x| f64::from(*x).powi(2)).sum::<f64>() / (open.len() - 2000) as f64).sqrt();
    assert!((amplitude_to_db(rms, 1.0) - inside).abs() < 1.5);
    assert!(l.gated_share() < 1e-9);
}

#[test]
fn bands_and_ceilings_that_make_no_sense_are_refused() {
    for band in [[0.0, 100.0], [5000.0, 3000.0], [19_500.0, 20_000.0], [f64::NAN, 5000.0], [3000.0, f64::NAN]] {
        assert!(BandFilter::new(band, RATE_HZ).is_err(), "{band:?}");
    }
    assert!(BandFilter::new([3200.0, 30_000.0], RATE_HZ).is_ok(), "an upper edge beyond the sound leaves nothing out");
    for ceiling_dbfs in [0.0, -9.9, -61.0, f64::NAN] {
        let wrong = Listener::new(&ListenSettings { ceiling_dbfs, ..settings() }, RATE_HZ);
        assert!(matches!(wrong, Err(ListenError::Ceiling { .. })));
    }
}
