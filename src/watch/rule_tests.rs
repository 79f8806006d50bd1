use super::*;

fn rule(k: u32, n: u32) -> AlarmRule {
    AlarmRule::new(k, n).unwrap()
}

/// Binomial chance of exactly `x` in `n`; zero outside.
fn b(x: i64, n: i64, p: f64) -> f64 {
    if x < 0 || n < 0 || x > n {
        return 0.0;
    }
    let choose = (0..x).fold(1.0, |c, i| c * (n - i) as f64 / (i + 1) as f64);
    choose * p.powi(x.try_into().unwrap()) * (1.0 - p).powi((n - x).try_into().unwrap())
}

/// ... of at most `x`.
fn at_most_of(x: i64, n: i64, p: f64) -> f64 {
    (0..=x).map(|i| b(i, n, p)).sum()
}

/// Chance of no `k` within `m` in `2 m` and in `3 m` independent trials (J. I. Naus, "Approximations for distributions of scan statistics",
/// J. Am. Stat. Assoc. 77 (1982) 177-183, the two exact formulas; from memory, and confirmed here by their agreement with the chain).
fn naus(k: i64, m: i64, p: f64) -> (f64, f64) {
    let f = |x: i64| at_most_of(x, m, p);
    let g = |x: i64, less: i64| at_most_of(x, m - less, p);
    let (kf, mf) = (k as f64, m as f64);
    let bk = b(k, m, p);
    let q2 = f(k - 1).powi(2) - (kf - 1.0) * bk * f(k - 2) + mf * p * bk * g(k - 3, 1);
    let a1 = 2.0 * bk * f(k - 1) * ((kf - 1.0) * f(k - 2) - mf * p * g(k - 3, 1));
    let a2 = 0.5
        * bk.powi(2)
        * ((kf - 1.0) * (kf - 2.0) * f(k - 3) - 2.0 * (kf - 2.0) * mf * p * g(k - 4, 1)
            + mf * (mf - 1.0) * p * p * g(k - 5, 2));
    let a3: f64 = (1..k).map(|r| b(2 * k - r, m, p) * f(r - 1).powi(2)).sum();
    let a4: f64 =
        (2..k).map(|r| b(2 * k - r, m, p) * b(r, m, p) * ((r - 1) as f64 * f(r - 2) - mf * p * g(r - 3, 1))).sum();
    (q2, f(k - 1).powi(3) - a1 + a2 + a3 - a4)
}

#[test]
fn the_chain_gives_the_published_formulas_of_the_scan_statistic() {
    for n in 2..=10_u32 {
        for k in 2..=n {
            for p in [0.01, 0.05, 0.2, 0.5, 0.8] {
                let c = Chances::independent(p);
                let (q2, q3) = naus(k.into(), n.into(), p);
                for (m, q) in [(2, q2), (3, q3)] {
                    let got = 1.0 - rule(k, n).chance_within(u64::from(m * n), &c);
                    assert!((got - q).abs() < 1e-12, "{k}/{n} {p} {m}: {got} {q}");
                }
            }
        }
    }
}

/// Numbers that look random (Knuth's MMIX constants), `0.0 <= x < 1.0`.
fn dice(state: &mut u64) -> f64 {
    *state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
    (*state >> 11) as f64 / (1_u64 << 53) as f64
}

#[test]
fn the_rate_is_that_of_a_plain_simulation() {
    // Large shares, so that a short simulation has many alarms; the computation knows no small numbers.
    let mut state = 20_261_125;
    for (k, n, outside, again) in
        [(3, 5, 0.1, 0.1), (2, 3, 0.05, 0.4), (4, 6, 0.2, 0.3), (1, 1, 0.03, 0.03), (5, 10, 0.15, 0.45)]
    {
        let (rule, c) = (rule(k, n), Chances { outside, again });
        let mut alarm = AlarmState::resumed(rule, &[], false);
        let (windows, mut raised, mut out) = (2_000_000_u32, 0_u32, false);
        for _ in 0..windows {
            out = dice(&mut state) < c.next(out);
            raised += u32::from(matches!(alarm.push(out), Some(Turn::Raised(_))));
        }
        let (got, want) = (f64::from(windows) / f64::from(raised), rule.windows_between(&c));
        // Alarms come nearly as a Poisson process: four standard deviations of their number.
        let allowed = 4.0 / f64::from(raised).sqrt();
        assert!((got / want - 1.0).abs() < allowed, "{rule} {outside} {again}: {got} {want} ({raised} alarms)");
    }
}

#[test]
fn a_run_of_one_and_a_run_of_all_are_known_in_closed_form() {
    // 1/1: an alarm at each window outside after one within; mean waits 1/p and 1/(1-p).
    let c = Chances::independent(0.01);
    assert!((rule(1, 1).windows_between(&c) - (100.0 + 1.0 / 0.99)).abs() < 1e-9);
    // n/n: a run of n (W. Feller, An Introduction to Probability Theory, vol. 1, XIII.7; from memory): (1 - p^n) / (p^n (1 - p)).
    for n in 1..=4_u32 {
        let pn = 0.01_f64.powi(n.try_into().unwrap());
        let want = (1.0 - pn) / (pn * 0.99);
        assert!((rule(n, n).windows_to_alarm(&c) / want - 1.0).abs() < 1e-6, "{n}");
    }
}

#[test]
fn an_alarm_is_raised_once_and_over_after_n_within() {
    let mut a = AlarmState::resumed(rule(3, 5), &[], false);
    let turns: Vec<_> = [1, 0, 1, 0, 1, 1, 0, 0, 0, 0, 0, 0].iter().map(|&o| a.push(o == 1)).collect();
    let want = |i: usize| match i {
        4 => Some(Turn::Raised(3)),
        10 => Some(Turn::Over),
        _ => None,
    };
    assert_eq!(turns, (0..12).map(want).collect::<Vec<_>>());
    // The same, from the book in the middle.
    let mut b = AlarmState::resumed(rule(3, 5), &[true, false, true, false], false);
    assert_eq!(b.push(true), Some(Turn::Raised(3)));
    b.forget();
    assert!(b.stands() && b.outside() == 0);
}

#[test]
fn what_windows_did_is_counted_within_their_runs() {
    let mut runs = vec![vec![false; 200], vec![false; 198]];
    runs[0][10] = true;
    runs[0][11] = true;
    runs[0][199] = true;
    let o = Chances::observed(&runs).unwrap();
    assert_eq!((o.windows, o.outside, o.after, o.again), (398, 3, 2, 1), "the last one has none after it");
    assert!((o.seen.again - 0.5).abs() < 1e-12);
    // Clopper-Pearson: no hit in n gives 1 - 0.05^(1/n).
    assert!((at_most(0, 300) - (1.0 - 0.05_f64.powf(1.0 / 300.0))).abs() < 1e-9);
    assert!(o.at_most.outside > o.seen.outside && o.at_most.again > 0.9);
    assert_eq!(Chances::observed(&[vec![true; 299]]), None);
}

#[test]
fn rules_are_read_as_people_write_them() {
    assert_eq!("3/5".parse(), Ok(rule(3, 5)));
    for text in ["", "3", "0/5", "6/5", "3/11", "a/b", "-1/3"] {
        let err = text.parse::<AlarmRule>().unwrap_err();
        assert!(err.to_string().contains("like 3/5"), "{text}");
    }
}

#[test]
fn the_figures_are_told() {
    // 34 s a window, three sensors.
    let f = FalseAlarms::new(rule(3, 5), 3, 34.0, &[]);
    assert!(f.independent > 0.1 && f.independent < 10.0 && f.hanging_together > 20.0 * f.independent, "{f:?}");
    assert!(f.words().contains("3/5") && f.words().contains("fewer than 300"), "{}", f.words());
    let healthy = FalseAlarms::new(rule(3, 5), 3, 34.0, &[vec![false; 10_000]]);
    assert!(healthy.as_observed.is_none() && healthy.at_most.unwrap() > 0.0);
    // A bound that holds for what is seen, and for windows that know nothing of each other.
    let mut runs = vec![vec![false; 1000]; 10];
    runs.iter_mut().for_each(|r| r[100..103].fill(true));
    let seen = FalseAlarms::new(rule(3, 5), 3, 34.0, &runs);
    assert!(seen.as_observed.unwrap() > 1.0 && seen.at_most.unwrap() >= seen.as_observed.unwrap(), "{seen:?}");
    assert!(healthy.words().contains("10000 watched windows"), "{}", healthy.words());
}
