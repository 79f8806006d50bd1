//! Tails and quantiles of the normal, Student's t, chi-square and Gumbel distributions, accurate far out.
//!
//! Chances are returned as the tail itself, never as `1 - cdf`, so that one in 1e12 keeps its digits. Arguments outside a function's
//! range have no answer (`None`).

use statrs::distribution::{ContinuousCDF, StudentsT};
use statrs::function::{erf, gamma};

/// Chance that a standard normal value exceeds `x`: `erfc(x / sqrt 2) / 2`.
#[must_use]
pub fn normal_tail(x: f64) -> f64 {
    0.5 * libm::erfc(x * std::f64::consts::FRAC_1_SQRT_2)
}

/// The value that a standard normal one exceeds with chance `tail`, `0 < tail < 1`.
#[must_use]
pub fn normal_upper_quantile(tail: f64) -> Option<f64> {
    if !(tail > 0.0 && tail < 1.0) {
        return None;
    }
    if tail > 0.5 {
        return Some(-normal_upper_quantile(1.0 - tail)?);
    }
    let mut x = std::f64::consts::SQRT_2 * erf::erfc_inv(2.0 * tail);
    // Newton steps on the logarithm of the tail, which is nearly a parabola far out: two give the last digits.
    for _ in 0..2 {
        let got = normal_tail(x);
        let density = (-0.5 * x * x).exp() / std::f64::consts::TAU.sqrt();
        if got > 0.0 && density > 0.0 {
            x += (got / tail).ln() * got / density;
        }
    }
    Some(x)
}

/// The value that a standard normal one stays below with chance `p`, `0 < p < 1`.
#[must_use]
pub fn normal_quantile(p: f64) -> Option<f64> {
    if !(p > 0.0 && p < 1.0) {
        return None;
    }
    if p < 0.5 { Some(-normal_upper_quantile(p)?) } else { normal_upper_quantile(1.0 - p) }
}

/// Most degrees of freedom that the series are asked for; they take about the square root of it in steps.
const MOST_DF: f64 = 1e8;

/// Chance that a Student t value with `df` degrees of freedom exceeds `x`; `None` unless `df > 0` and `x` is a number, and
/// where the numbers leave the range of the arithmetic.
///
/// Above 1e8 degrees of freedom (also infinite) the normal distribution answers: relative error below `x^4 / (4 df)`.
#[must_use]
pub fn t_tail(x: f64, df: f64) -> Option<f64> {
    if df > MOST_DF && !x.is_nan() {
        return Some(normal_tail(x));
    }
    if x.is_nan() || df.is_nan() || df <= 0.0 {
        return None;
    }
    if x.is_infinite() {
        return Some(if x > 0.0 { 0.0 } else { 1.0 });
    }
    let t = StudentsT::new(0.0, 1.0, df).ok()?;
    // Taken at |x|: the complement of a small tail loses nothing, the other way round would.
    let upper = Some(t.sf(x.abs())).filter(is_chance)?;
    Some(if x >= 0.0 { upper } else { 1.0 - upper })
}

/// The value that a Student t one with `df` degrees of freedom exceeds with chance `tail`, `0 < tail < 1`.
#[must_use]
pub fn t_upper_quantile(tail: f64, df: f64) -> Option<f64> {
    if !(tail > 0.0 && tail < 1.0) || df.is_nan() || df <= 0.0 {
        return None;
    }
    if df > MOST_DF {
        return normal_upper_quantile(tail);
    }
    if tail > 0.5 {
        return Some(-t_upper_quantile(1.0 - tail, df)?);
    }
    // The heavier the tail, the further out: double until the tail is passed, then halve. Bisection because the library's own
    // inverse takes 1 - p, which has no digits left for a tail of 1e-17.
    bisect(tail, |x| t_tail(x, df))
}

/// The value that a Student t one with `df` degrees of freedom stays below with chance `p`, `0 < p < 1`.
#[must_use]
pub fn t_quantile(p: f64, df: f64) -> Option<f64> {
    if !(p > 0.0 && p < 1.0) {
        return None;
    }
    if p < 0.5 { Some(-t_upper_quantile(p, df)?) } else { t_upper_quantile(1.0 - p, df) }
}

/// Chance that a chi-square value with `df` degrees of freedom exceeds `x`; `None` unless
/// `0 < df <= 1e8` and `x` is a number.
#[must_use]
pub fn chi2_tail(x: f64, df: f64) -> Option<f64> {
    if x.is_nan() || !(df > 0.0 && df <= MOST_DF) {
        return None;
    }
    if x <= 0.0 {
        return Some(1.0);
    }
    if x.is_infinite() {
        return Some(0.0);
    }
    gamma::checked_gamma_ur(0.5 * df, 0.5 * x).ok().map(|q| q.clamp(0.0, 1.0)).filter(is_chance)
}

/// False for the not-a-number that the library's series give at absurd arguments (df of 1e300).
fn is_chance(q: &f64) -> bool {
    (0.0..=1.0).contains(q)
}

/// The value that a chi-square one with `df` degrees of freedom exceeds with chance `tail`, `0 < tail < 1`.
#[must_use]
pub fn chi2_upper_quantile(tail: f64, df: f64) -> Option<f64> {
    if tail > 0.0 && tail < 1.0 { bisect(tail, |x| chi2_tail(x, df)) } else { None }
}

/// The point `x >= 0` where a falling tail function passes `tail`, to the last digit.
fn bisect(tail: f64, at: impl Fn(f64) -> Option<f64>) -> Option<f64> {
    let (mut low, mut high) = (0.0, 1.0);
    while at(high)? > tail {
        low = high;
        high *= 2.0;
        if high > 1e300 {
            return None;
        }
    }
    // Each step halves the interval; 1200 would do even for the smallest numbers, 60 to 70 do for common ones.
    for _ in 0..1200 {
        let mid = low + 0.5 * (high - low);
        if mid <= low || mid >= high {
            break;
        }
        if at(mid)? > tail { low = mid } else { high = mid }
    }
    Some(high)
}

/// Chance that a Gumbel (largest extreme value) variable exceeds `x`: `1 - exp(-exp(-(x - location) / scale))`.
///
/// `None` unless `scale > 0`.
#[must_use]
pub fn gumbel_tail(x: f64, location: f64, scale: f64) -> Option<f64> {
    if x.is_nan() || location.is_nan() || scale.is_nan() || scale <= 0.0 {
        return None;
    }
    Some(-(-(-(x - location) / scale).exp()).exp_m1())
}

/// The value that a Gumbel variable exceeds with chance `tail`, `0 < tail < 1`: `location - scale ln(-ln(1 - tail))`.
#[must_use]
pub fn gumbel_upper_quantile(tail: f64, location: f64, scale: f64) -> Option<f64> {
    if !(tail > 0.0 && tail < 1.0) || scale.is_nan() || scale <= 0.0 {
        return None;
    }
    Some(location - scale * (-(-tail).ln_1p()).ln())
}

/// Location and scale of a Gumbel distribution.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct GumbelFit {
    /// Mode, unit of the values.
    pub location: f64,
    /// Scale, unit of the values, above zero.
    pub scale: f64,
}

/// Fits a Gumbel distribution by L-moments (Hosking, J. R. Stat. Soc. B 52, 1990, 105-124; from memory).
///
/// # Formula
/// `scale = l2 / ln 2`, `location = mean - 0.5772157 scale`, where `l2 = 2 b1 - b0` with `b1 = sum (i / (n - 1)) x_(i) / n`, i from 0.
///
/// `None` with fewer than two values, or when all are equal.
#[must_use]
pub fn fit_gumbel(values: &[f64]) -> Option<GumbelFit> {
    const EULER_GAMMA: f64 = 0.577_215_664_901_532_9;
    let n = values.len();
    if n < 2 {
        return None;
    }
    let mut sorted = values.to_vec();
    sorted.sort_unstable_by(f64::total_cmp);
    let mean = sorted.iter().sum::<f64>() / n as f64;
    // Written about the mean, so that a large common offset costs no digits.
    let b1 = sorted.iter().enumerate().map(|(i, x)| (x - mean) * i as f64 / (n - 1) as f64).sum::<f64>() / n as f64;
    let scale = 2.0 * b1 / std::f64::consts::LN_2;
    (scale > 0.0).then_some(GumbelFit { location: mean - EULER_GAMMA * scale, scale })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn quantile_undoes_tail() {
        for tail in [0.9, 0.5, 0.3, 0.01, 1e-4, 1e-9, 1e-14, 1e-30] {
            let rel = |got: f64| (got / tail - 1.0).abs();
            assert!(rel(normal_tail(normal_upper_quantile(tail).unwrap())) < 1e-12, "normal {tail}");
            for df in [1.0, 2.5, 7.0, 30.0, 400.0] {
                assert!(rel(t_tail(t_upper_quantile(tail, df).unwrap(), df).unwrap()) < 1e-9, "t {tail} {df}");
                assert!(rel(chi2_tail(chi2_upper_quantile(tail, df).unwrap(), df).unwrap()) < 1e-9, "chi2 {tail} {df}");
            }
            let x = gumbel_upper_quantile(tail, 3.0, 0.5).unwrap();
            assert!(rel(gumbel_tail(x, 3.0, 0.5).unwrap()) < 1e-12, "gumbel {tail}");
        }
    }

    #[test]
    fn out_of_range_has_no_answer() {
        assert_eq!(t_tail(1.0, 0.0), None);
        assert_eq!(t_tail(f64::NAN, 3.0), None);
        assert_eq!(t_tail(f64::INFINITY, 3.0), Some(0.0));
        assert_eq!(t_tail(f64::NEG_INFINITY, 3.0), Some(1.0));
        assert_eq!(chi2_tail(1.0, -1.0), None);
        assert_eq!(chi2_tail(-3.0, 2.0), Some(1.0));
        assert_eq!(chi2_tail(f64::INFINITY, 2.0), Some(0.0));
        for p in [0.0, 1.0, -0.1, f64::NAN] {
            assert_eq!(normal_upper_quantile(p), None);
            assert_eq!(normal_quantile(p), None);
            assert_eq!(t_quantile(p, 3.0), None);
            assert_eq!(t_upper_quantile(p, 3.0), None);
            assert_eq!(chi2_upper_quantile(p, 3.0), None);
            assert_eq!(gumbel_upper_quantile(p, 0.0, 1.0), None);
        }
        assert_eq!(gumbel_tail(1.0, 0.0, 0.0), None);
        assert_eq!(fit_gumbel(&[1.0]), None);
        assert_eq!(fit_gumbel(&[2.0, 2.0, 2.0]), None);
    }

    #[test]
    fn extreme_arguments_end_and_stay_within_chances() {
        for df in [1e-300, 1e-3, 0.5, 1e6, 1e8, 1e12, 1e300] {
            for x in [0.0, 1e-300, 1e-9, 1.0, 1e9, 1e160, 1e300] {
                for chance in [t_tail(x, df), chi2_tail(x, df)].into_iter().flatten() {
                    assert!((0.0..=1.0).contains(&chance), "{x} {df}: {chance}");
                }
            }
            for tail in [1e-300, 0.01, 0.999] {
                assert!(t_upper_quantile(tail, df).is_none_or(f64::is_finite));
                assert!(chi2_upper_quantile(tail, df).is_none_or(f64::is_finite));
            }
        }
    }

    #[test]
    fn gumbel_fit_finds_its_own_parameters() {
        // An even grid of chances instead of random values: no luck involved.
        let values: Vec<f64> =
            (0..4000).map(|i| gumbel_upper_quantile((f64::from(i) + 0.5) / 4000.0, 12.0, 1.7).unwrap()).collect();
        let fit = fit_gumbel(&values).unwrap();
        assert!((fit.location - 12.0).abs() < 0.005 && (fit.scale - 1.7).abs() < 0.005, "{fit:?}");
    }
}
