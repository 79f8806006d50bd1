//! Robust statistics and Student's t.

use seatsong::inside::robust::{
    MAD_TO_SIGMA, TheilSen, mad, median, normal_quantile, normal_upper_quantile, t_upper_quantile, theil_sen,
};

use crate::near;

fn line(x: &[f64], y: &[f64]) -> TheilSen {
    theil_sen(x, y, 0.95, 1.0).unwrap()
}

#[test]
fn robust_figures_s1_to_s7() {
    // S1: R `stats::mad` page (1.4826), from the quartile of the normal distribution.
    near("S1", MAD_TO_SIGMA, 1.482_602_2, 1e-7);
    near("S1", MAD_TO_SIGMA * normal_quantile(0.75).unwrap(), 1.0, 1e-12);
    // S2: data on the R page, result computed.
    near("S2", mad(&[1.0, 2.0, 3.0, 5.0, 7.0, 8.0]).unwrap(), 2.5, 0.0);
    // S3: the R page states both.
    let mut wild: Vec<f64> = (1..=8).map(f64::from).collect();
    wild.push(100.0);
    let tame: Vec<f64> = (1..=9).map(f64::from).collect();
    near("S3", mad(&wild).unwrap(), 2.0, 0.0);
    near("S3", mad(&tame).unwrap(), 2.0, 0.0);
    // S7: scipy 1.17.1 theilslopes.
    let line = line(&[1.0, 2.0, 3.0, 4.0, 5.0], &[1.2, 1.9, 3.2, 3.9, 20.0]);
    near("S7 slope", line.slope, 1.15, 1e-12);
    near("S7 intercept", line.intercept, -0.25, 1e-12);
}

#[test]
fn breakdown_s8() {
    // S8 (from memory): the median stands up to half of wild values, Theil-Sen to 29.3 %.
    let mut values = vec![1.0; 51];
    values.extend(vec![1e9; 49]);
    near("median", median(&values).unwrap(), 1.0, 0.0);
    let x: Vec<f64> = (0..100).map(f64::from).collect();
    let slope = |wild: usize| {
        let y: Vec<f64> = (0..100).map(|i| if i < wild { 1e9 } else { 2.0 * i as f64 }).collect();
        line(&x, &y).slope
    };
    near("28 % wild", slope(28), 2.0, 1e-9);
    assert!((slope(32) - 2.0).abs() > 1e-3, "32 % wild must break it");
}

/// One-sided quantiles at 0.95, 0.975, 0.99, 0.995, 0.99865: scipy 1.17.1, as in any table of Student's t.
const STUDENT_T: [(f64, [f64; 5]); 11] = [
    (1.0, [6.314, 12.706, 31.821, 63.657, 235.784]),
    (2.0, [2.920, 4.303, 6.965, 9.925, 19.206]),
    (3.0, [2.353, 3.182, 4.541, 5.841, 9.219]),
    (4.0, [2.132, 2.776, 3.747, 4.604, 6.620]),
    (5.0, [2.015, 2.571, 3.365, 4.032, 5.507]),
    (6.0, [1.943, 2.447, 3.143, 3.707, 4.904]),
    (8.0, [1.860, 2.306, 2.896, 3.355, 4.277]),
    (10.0, [1.812, 2.228, 2.764, 3.169, 3.957]),
    (15.0, [1.753, 2.131, 2.602, 2.947, 3.586]),
    (20.0, [1.725, 2.086, 2.528, 2.845, 3.422]),
    (30.0, [1.697, 2.042, 2.457, 2.750, 3.270]),
];

#[test]
fn student_t_table_s9_s10() {
    for (df, want) in STUDENT_T {
        for (p, want) in [0.95, 0.975, 0.99, 0.995, 0.99865].into_iter().zip(want) {
            near(&format!("t({p}; {df})"), t_upper_quantile(1.0 - p, df).unwrap(), want, 0.001);
            near(&format!("t({}; {df})", 1.0 - p), t_upper_quantile(p, df).unwrap(), -want, 0.001);
        }
    }
    // The honest "three sigma" for one new clip beside n good ones: computed.
    near("S9", t_upper_quantile(0.00135, 4.0).unwrap() * 1.2f64.sqrt(), 7.252, 0.001);
    near("S10", t_upper_quantile(0.00135, 9.0).unwrap() * 1.1f64.sqrt(), 4.294, 0.001);
    near("normal", normal_upper_quantile(0.025).unwrap(), 1.959_964, 1e-6);
}
