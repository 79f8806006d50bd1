//! Tails and quantiles of the normal and Student's t distributions, accurate far out.
//!
//! Chances are returned as the tail itself, never as `1 - cdf`, so that one in 1e12 keeps its digits. Arguments outside a function's
//! range have no answer (`None`).

use statrs::distribution::{ContinuousCDF, StudentsT};
use statrs::function::erf;

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

/// Chance that a Student t value with `df` degrees of freedom exceeds `x`; `None` unless `df` is above zero and finite and `x` is a number,
/// and where the numbers leave the range of the arithmetic.
#[must_use]
pub fn t_tail(x: f64, df: f64) -> Option<f64> {
    if x.is_nan() || !(df > 0.0 && df.is_finite()) {
        return None;
    }
    if x.is_infinite() {
        return Some(if x > 0.0 { 0.0 } else { 1.0 });
    }
    let t = StudentsT::new(0.0, 1.0, df).ok()?;
    // Taken at |x|: the complement of a small tail loses nothing, the other way round would.
    // The series give not-a-number at absurd arguments.
    let upper = Some(t.sf(x.abs())).filter(|q| (0.0..=1.0).contains(q))?;
    Some(if x >= 0.0 { upper } else { 1.0 - upper })
}

/// The value that a Student t one with `df` degrees of freedom exceeds with chance `tail`, `0 < tail < 1`.
#[must_use]
pub fn t_upper_quantile(tail: f64, df: f64) -> Option<f64> {
    if !(tail > 0.0 && tail < 1.0) {
        return None;
    }
    if tail > 0.5 {
        return Some(-t_upper_quantile(1.0 - tail, df)?);
    }
    // The heavier the tail, the further out: double until the tail is passed, then halve. Bisection because the library's own
    // inverse takes 1 - p, which has no digits left for a tail of 1e-17.
    bisect(tail, |x| t_tail(x, df))
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
            }
        }
    }

    #[test]
    fn out_of_range_has_no_answer() {
        assert_eq!(t_tail(1.0, 0.0), None);
        assert_eq!(t_tail(f64::NAN, 3.0), None);
        assert_eq!(t_tail(f64::INFINITY, 3.0), Some(0.0));
        assert_eq!(t_tail(f64::NEG_INFINITY, 3.0), Some(1.0));
        for p in [0.0, 1.0, -0.1, f64::NAN] {
            assert_eq!(normal_upper_quantile(p), None);
            assert_eq!(normal_quantile(p), None);
            assert_eq!(t_upper_quantile(p, 3.0), None);
        }
    }

    #[test]
    fn extreme_arguments_end_and_stay_within_chances() {
        for df in [1e-300, 1e-3, 0.5, 14.0, 1e6, f64::INFINITY] {
            for x in [0.0, 1e-300, 1e-9, 1.0, 1e9, 1e160, 1e300] {
                assert!(t_tail(x, df).is_none_or(|chance| (0.0..=1.0).contains(&chance)), "{x} {df}");
            }
            for tail in [1e-300, 0.01, 0.999] {
                assert!(t_upper_quantile(tail, df).is_none_or(f64::is_finite));
            }
        }
    }
}
