//! Statistics that a few wild values do not move: median, MAD, quantiles, Theil-Sen, and the tails of a few distributions.
//!
//! Slices of finite numbers in, numbers out; `None` for input that has no answer (empty, or outside the named range). Values are
//! sorted by `total_cmp`, so a stray not-a-number sorts last instead of breaking the order; finiteness is checked at ingest.

mod pairs;
mod tails;
pub use tails::{normal_quantile, normal_tail, normal_upper_quantile, t_tail, t_upper_quantile};

/// Turns the MAD of a normal sample into its standard deviation: 1 / 0.6744898 (R `stats::mad`: 1.4826).
pub const MAD_TO_SIGMA: f64 = 1.482_602_218_505_602;

/// Median; the mean of the two middle values when their number is even. `None` when empty.
#[must_use]
pub fn median(values: &[f64]) -> Option<f64> {
    median_mut(&mut values.to_vec())
}

/// Median of values that may be reordered: no allocation, linear time. `None` when empty.
#[must_use]
pub fn median_mut(values: &mut [f64]) -> Option<f64> {
    let n = values.len();
    if n == 0 {
        return None;
    }
    let (below, &mut upper, _) = values.select_nth_unstable_by(n / 2, f64::total_cmp);
    if n % 2 == 1 {
        return Some(upper);
    }
    let lower = below.iter().copied().max_by(f64::total_cmp)?;
    Some(lower + 0.5 * (upper - lower))
}

/// Median absolute deviation from the median, unscaled. `None` when empty.
#[must_use]
pub fn mad(values: &[f64]) -> Option<f64> {
    let mut work = values.to_vec();
    let centre = median_mut(&mut work)?;
    for x in &mut work {
        *x = (*x - centre).abs();
    }
    median_mut(&mut work)
}

/// Quantile of values in ascending order by linear interpolation between them (Hyndman & Fan 1996, type 7; the default of R and numpy).
///
/// `None` when empty or when `p` is outside 0..=1.
#[must_use]
pub fn quantile_sorted(sorted: &[f64], p: f64) -> Option<f64> {
    if sorted.is_empty() || !(0.0..=1.0).contains(&p) {
        return None;
    }
    let at = p * (sorted.len() - 1) as f64;
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "0 <= at < len")]
    let below = at.floor() as usize;
    let above = (below + 1).min(sorted.len() - 1);
    Some(sorted[below] + (at - below as f64) * (sorted[above] - sorted[below]))
}

/// A line through points that nearly a third of wild points do not move.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TheilSen {
    /// Median of the slopes of all pairs with different x, unit of y over unit of x.
    pub slope: f64,
    /// `median(y) - slope median(x)`, unit of y.
    pub intercept: f64,
    /// Lower end of the confidence interval of the slope.
    pub low: f64,
    /// Upper end of the confidence interval of the slope.
    pub high: f64,
}

/// Why no line can be laid through points.
#[derive(Debug, Clone, thiserror::Error, PartialEq)]
#[non_exhaustive]
pub enum TheilSenError {
    /// The two columns differ in length.
    #[error("x has {x} values and y has {y}; give one y for each x")]
    LengthsDiffer {
        /// Values in x.
        x: usize,
        /// Values in y.
        y: usize,
    },
    /// Fewer than two different x.
    #[error("a slope needs at least two points with different x")]
    OneX,
    /// Confidence outside 0..1.
    #[error("confidence {got} is out of range; give a value between 0 and 1, such as 0.95")]
    Confidence {
        /// What was given.
        got: f64,
    },
}

/// Theil-Sen line with the confidence interval of its slope (Sen, J. Am. Stat. Assoc. 63, 1968, 1379-1389).
///
/// With a `variance_ratio` of 1 it does what `scipy.stats.theilslopes(y, x, confidence, method="separate")` does, ties included, and up to
/// rounding with its digits. Up to 1500 points all slopes are made, beyond that only those near the wanted ones (`n log n` time, 20,000
/// points in tens of ms).
///
/// # Arguments
/// - `x`, `y`: shape `(n,)`, finite.
/// - `confidence`: such as 0.95.
/// - `variance_ratio`: what the variance of Kendall's S is multiplied by for neighbours that resemble each other: 1 for independent points,
///   `(1 + r) / (1 - r)` for a lag-1 correlation r that dies away geometrically (after K. H. Hamed, A. R. Rao, J. Hydrol. 204 (1998)
///   182-196, from memory). Ratios below 1 count as 1.
///
/// # Errors
/// [`TheilSenError`] when the lengths differ, when fewer than two x differ, or when the confidence is not within 0..1.
pub fn theil_sen(x: &[f64], y: &[f64], confidence: f64, variance_ratio: f64) -> Result<TheilSen, TheilSenError> {
    if x.len() != y.len() {
        return Err(TheilSenError::LengthsDiffer { x: x.len(), y: y.len() });
    }
    if !(confidence > 0.0 && confidence < 1.0) {
        return Err(TheilSenError::Confidence { got: confidence });
    }
    let n = x.len();
    let pairs = pairs::Pairs::new(x, y);
    if pairs.n == 0 {
        return Err(TheilSenError::OneX);
    }
    let (mid_x, mid_y) = (median(x).ok_or(TheilSenError::OneX)?, median(y).ok_or(TheilSenError::OneX)?);

    // Variance of Kendall's S with ties, as in the equation 2.6 of Sen's paper.
    let ties = |k: f64| k * (k - 1.0) * (2.0 * k + 5.0);
    let tied = |v: &[f64]| repeats(v).into_iter().map(ties).sum::<f64>();
    let variance = (ties(n as f64) - tied(x) - tied(y)) / 18.0;
    let z = normal_upper_quantile(0.5 * (1.0 - confidence)).unwrap_or(0.0);
    let half_width = z * (variance.max(0.0) * variance_ratio.max(1.0)).sqrt();
    let n_slopes = pairs.n as f64;
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "not below 0, and cut at the last slope"
    )]
    let rank = |at: f64| (at.max(0.0) as u64).min(pairs.n - 1);
    let (even, half) = (pairs.n.is_multiple_of(2), pairs.n / 2);
    let wanted = [
        half - u64::from(even),
        half,
        rank(((n_slopes - half_width) / 2.0).round_ties_even() - 1.0),
        rank(((n_slopes + half_width) / 2.0).round_ties_even()),
    ];
    let [below, above, low, high] = picked(&pairs, n, wanted).ok_or(TheilSenError::OneX)?;
    let slope = below + 0.5 * (above - below);
    Ok(TheilSen { slope, intercept: mid_y - slope * mid_x, low, high })
}

/// The slopes of four ranks.
fn picked(pairs: &pairs::Pairs, n: usize, ranks: [u64; 4]) -> Option<[f64; 4]> {
    let mut out = [0.0; 4];
    if n <= pairs::ALL_PAIRS {
        let mut slopes = pairs.all();
        slopes.sort_unstable_by(f64::total_cmp);
        for (o, rank) in out.iter_mut().zip(ranks) {
            *o = *slopes.get(usize::try_from(rank).ok()?)?;
        }
    } else {
        // Any seed gives the same slopes.
        let mut random = rand_pcg::Pcg64::new(0x5ea5_0196, 1);
        for (o, rank) in out.iter_mut().zip(ranks) {
            *o = pairs.nth(rank, &mut random)?;
        }
    }
    Some(out)
}

/// How often each value that occurs more than once occurs.
fn repeats(values: &[f64]) -> Vec<f64> {
    // Adding 0 makes one zero of -0 and 0, which `total_cmp` tells apart.
    let mut sorted: Vec<f64> = values.iter().map(|x| x + 0.0).collect();
    sorted.sort_unstable_by(f64::total_cmp);
    sorted.chunk_by(|a, b| a.total_cmp(b).is_eq()).map(|run| run.len() as f64).filter(|&k| k > 1.0).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn nothing_in_nothing_out() {
        assert_eq!(median(&[]), None);
        assert_eq!(mad(&[]), None);
        assert_eq!(quantile_sorted(&[], 0.5), None);
        assert_eq!(quantile_sorted(&[1.0], 1.5), None);
        assert_eq!(quantile_sorted(&[1.0], f64::NAN), None);
        assert_eq!(theil_sen(&[], &[], 0.95, 1.0), Err(TheilSenError::OneX));
        assert_eq!(theil_sen(&[1.0, 1.0], &[1.0, 2.0], 0.95, 1.0), Err(TheilSenError::OneX));
        assert_eq!(theil_sen(&[1.0], &[], 0.95, 1.0), Err(TheilSenError::LengthsDiffer { x: 1, y: 0 }));
        assert!(theil_sen(&[1.0, 2.0], &[1.0, 2.0], 1.0, 1.0).is_err());
    }

    #[test]
    fn two_points_have_a_line() {
        let line = theil_sen(&[0.0, 2.0], &[1.0, 5.0], 0.95, 1.0).unwrap();
        assert_eq!((line.slope, line.intercept), (2.0, 1.0));
        assert!(line.low <= line.slope && line.slope <= line.high);
    }

    proptest! {
        #[test]
        fn median_is_the_half_quantile(values in prop::collection::vec(-1e6f64..1e6, 1..60)) {
            let mut sorted = values.clone();
            sorted.sort_unstable_by(f64::total_cmp);
            prop_assert!((median(&values).unwrap() - quantile_sorted(&sorted, 0.5).unwrap()).abs() <= 1e-9);
        }

        #[test]
        fn shift_and_scale_carry_over(values in prop::collection::vec(-1e3f64..1e3, 1..40), a in 0.1f64..10.0, b in -1e3f64..1e3) {
            let moved: Vec<f64> = values.iter().map(|x| a * x + b).collect();
            prop_assert!((median(&moved).unwrap() - (a * median(&values).unwrap() + b)).abs() < 1e-8);
            prop_assert!((mad(&moved).unwrap() - a * mad(&values).unwrap()).abs() < 1e-8);
        }

        #[test]
        fn theil_sen_finds_a_line_through_a_quarter_of_wild_points(slope in -5.0f64..5.0, wild in -1e4f64..1e4) {
            let x: Vec<f64> = (0..16).map(f64::from).collect();
            let y: Vec<f64> = x.iter().enumerate().map(|(i, x)| if i % 4 == 1 { wild } else { slope * x + 1.0 }).collect();
            let line = theil_sen(&x, &y, 0.95, 1.0).unwrap();
            // Twelve of sixteen points lie on the line: 66 of 120 slopes are exact, so the median is.
            prop_assert!((line.slope - slope).abs() < 1e-9);
            prop_assert!(line.low <= line.slope && line.slope <= line.high);
        }
    }
}
