use super::*;

fn lives(ended: &[f64], running: &[f64]) -> Vec<Life> {
    let of =
        |lengths: &[f64], ended: bool| lengths.iter().map(move |&length| Life { length, ended }).collect::<Vec<_>>();
    [of(ended, true), of(running, false)].concat()
}

/// Remission in weeks with the drug (Freireich et al. 1963, as in most survival textbooks).
fn drug() -> Vec<Life> {
    lives(&[6., 6., 6., 7., 10., 13., 16., 22., 23.], &[6., 9., 10., 11., 17., 19., 20., 25., 32., 32., 34., 35.])
}

/// The same trial without it.
fn placebo() -> Vec<Life> {
    lives(&[1., 1., 2., 2., 3., 4., 4., 5., 5., 8., 8., 8., 8., 11., 11., 12., 12., 15., 17., 22., 23.], &[])
}

#[test]
fn kaplan_meier_of_the_remission_times() {
    // Survival: Freireich et al. 1963. Intervals: lifelines 0.30.3, KaplanMeierFitter, 95 %. Standard errors: from memory
    // of R's survfit on the same data, and they are S times the root of Greenwood's sum.
    let curve = kaplan_meier(&drug(), 0.95).unwrap();
    let want = [
        (6., 21, 3, 0.857_143, 0.0764, 0.619_718, 0.951_552),
        (7., 17, 1, 0.806_723, 0.0869, 0.563_147, 0.922_809),
        (10., 15, 1, 0.752_941, 0.0963, 0.503_200, 0.889_362),
        (13., 12, 1, 0.690_196, 0.1068, 0.431_610, 0.849_066),
        (16., 11, 1, 0.627_451, 0.1141, 0.367_511, 0.804_912),
        (22., 7, 1, 0.537_815, 0.1282, 0.267_779, 0.746_791),
        (23., 6, 1, 0.448_179, 0.1346, 0.188_052, 0.680_143),
    ];
    assert_eq!(curve.steps.len(), want.len());
    for (step, (at, at_risk, ended, survival, error, low, high)) in curve.steps.iter().zip(want) {
        assert_eq!((step.at_risk, step.ended), (at_risk, ended), "{at}");
        let near = |got: f64, want: f64, tolerance: f64| assert!((got - want).abs() < tolerance, "{at}: {got} {want}");
        near(step.at, at, 1e-12);
        near(step.survival, survival, 1e-6);
        near(step.standard_error, error, 6e-5);
        near(step.interval[0], low, 1e-6);
        near(step.interval[1], high, 1e-6);
    }
    // Medians and their intervals: lifelines, median_survival_times.
    assert_eq!((curve.median(), curve.median_interval()), (Some(23.0), [Some(13.0), None]));
    let other = kaplan_meier(&placebo(), 0.95).unwrap();
    assert_eq!((other.median(), other.median_interval()), (Some(8.0), [Some(4.0), Some(11.0)]));
    assert_eq!((curve.lives, curve.ended), (21, 9));
    assert!((curve.run - 359.0).abs() < 1e-9);
}

#[test]
fn without_cut_lives_the_curve_is_the_plain_share_that_lasts() {
    let curve = kaplan_meier(&placebo(), 0.95).unwrap();
    for step in &curve.steps {
        let last = placebo().iter().filter(|l| l.length > step.at).count() as f64 / 21.0;
        assert!((step.survival - last).abs() < 1e-12);
        assert!(step.interval[0] <= step.survival && step.survival <= step.interval[1] + 1e-12);
    }
    assert_eq!(curve.quartiles(), [Some(4.0), Some(12.0)]);
}

#[test]
fn what_cannot_be_a_life_is_refused() {
    assert_eq!(kaplan_meier(&[], 0.95), Err(LifeError::Empty));
    assert!(matches!(kaplan_meier(&lives(&[-1.0], &[]), 0.95), Err(LifeError::Length { .. })));
    assert!(matches!(kaplan_meier(&lives(&[f64::NAN], &[]), 0.95), Err(LifeError::Length { .. })));
    assert!(matches!(kaplan_meier(&drug(), 95.0), Err(LifeError::Confidence { .. })));
    let none_ended = kaplan_meier(&lives(&[], &[5.0, 6.0]), 0.95).unwrap();
    assert!(none_ended.steps.is_empty() && none_ended.median().is_none());
}

fn seats(name: &str, ended: &[f64], running: &[f64]) -> Group {
    Group { name: name.to_owned(), lives: lives(ended, running) }
}

#[test]
fn a_position_that_wears_seats_out_three_times_as_fast_is_named() {
    let groups = [
        seats("module 1 discharge seats", &[610., 655., 590., 700.], &[200.]),
        seats("module 2 discharge seats", &[205., 190., 220., 214., 230.], &[40.]),
        seats("module 3 discharge seats", &[640., 580., 720.], &[310.]),
    ];
    let found = early(&groups, "h").unwrap();
    assert_eq!(found.len(), 1, "{found:?}");
    assert_eq!(found[0].name, "module 2 discharge seats");
    assert!(
        found[0].text.starts_with("module 2 discharge seats last a third of the others (median 214 h against 640 h; ")
    );
    assert!(early(&groups[..1], "h").unwrap().is_empty(), "nothing to compare with");
    let two = [groups[0].clone(), seats("module 2 discharge seats", &[200., 190.], &[])];
    assert!(early(&two, "h").unwrap().is_empty(), "two early lives are no pattern yet");
}

/// A small generator for trials (Numerical Recipes constants), 0 to 1.
fn unit(state: &mut u32) -> f64 {
    *state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
    (f64::from(*state) + 0.5) / f64::from(u32::MAX)
}

#[test]
fn alike_positions_are_seldom_called_early_and_bad_ones_mostly() {
    // Weibull lives of shape 2.5 (wear out), five a module, one more still running: the real size of this question.
    let trial = |state: &mut u32, scale: f64| {
        let mut draw = |scale: f64| {
            let mut life = || scale * (-unit(state).ln()).powf(0.4);
            let ended: Vec<f64> = (0..5).map(|_| life()).collect();
            let running = 0.4 * life();
            lives(&ended, &[running])
        };
        let groups = [600.0, scale, 600.0].map(|s| Group { name: format!("{s}"), lives: draw(s) });
        early(&groups, "h").unwrap()
    };
    let mut state = 4_u32;
    let runs = 1000;
    let false_calls = (0..runs).filter(|_| !trial(&mut state, 600.0).is_empty()).count();
    let found = (0..runs).filter(|_| trial(&mut state, 200.1).iter().any(|e| e.name == "200.1")).count();
    let (false_share, found_share) = (false_calls as f64 / f64::from(runs), found as f64 / f64::from(runs));
    // Two standard errors above the promise.
    assert!(false_share < EARLY_CHANCE + 0.014, "{false_share}");
    assert!(found_share > 0.85, "{found_share}");
}

#[test]
fn ratios_in_words() {
    for (ratio, words) in
        [(0.33, "a third of"), (0.5, "half of"), (0.42, "42 % of"), (0.68, "two thirds of"), (0.02, "2 % of")]
    {
        assert_eq!(share_words(ratio), words);
    }
}
