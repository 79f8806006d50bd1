//! Control charts as the textbooks have them: exponentially weighted mean and tabular cumulative sum.
//!
//! Series in, chart lines out. They take the centre and the standard deviation as known; the chart of a module's rounds, which knows
//! neither, is [`super::ranks`].

/// An exponentially weighted moving average with its limits.
#[derive(Debug, Clone, PartialEq)]
pub struct Ewma {
    /// The average after each value, unit of the values; shape `(n,)`.
    pub line: Vec<f64>,
    /// Limits of a chart that has run for long: below and above the centre.
    pub limits: [f64; 2],
    /// Values whose average lies beyond a limit.
    pub outside: Vec<usize>,
}

/// EWMA chart (S. W. Roberts, Technometrics 1 (1959) 239-250; NIST/SEMATECH e-Handbook 6.3.2.4).
///
/// # Formula
/// `e_t = lambda x_t + (1 - lambda) e_(t-1)`, `e_0 = centre`; limits `centre +- width sigma sqrt(lambda / (2 - lambda))`.
///
/// # Arguments
/// - `lambda`: weight of the newest value, above 0, at most 1.
/// - `width`: limits in standard deviations of the average.
///
/// `None` unless `lambda` is in its range, and `sigma` and `width` are above zero.
#[must_use]
pub fn ewma(x: &[f64], centre: f64, sigma: f64, lambda: f64, width: f64) -> Option<Ewma> {
    if !(lambda > 0.0 && lambda <= 1.0 && sigma > 0.0 && width > 0.0) {
        return None;
    }
    let half = width * sigma * (lambda / (2.0 - lambda)).sqrt();
    let mut at = centre;
    let line: Vec<f64> = x
        .iter()
        .map(|v| {
            at += lambda * (v - at);
            at
        })
        .collect();
    let outside = (0..line.len()).filter(|&i| (line[i] - centre).abs() > half).collect();
    Some(Ewma { line, limits: [centre - half, centre + half], outside })
}

/// The two sums of a tabular CUSUM chart.
#[derive(Debug, Clone, PartialEq)]
pub struct Cusum {
    /// Sum of what lies above the centre by more than the allowance, unit of the values; shape `(n,)`.
    pub upper: Vec<f64>,
    /// The same below the centre.
    pub lower: Vec<f64>,
    /// First value at which a sum passes the limit.
    pub first: Option<usize>,
}

/// Tabular CUSUM (E. S. Page, Biometrika 41 (1954) 100-115; NIST/SEMATECH e-Handbook 6.3.2.3).
///
/// # Formula
/// `upper_t = max(0, upper_(t-1) + x_t - centre - allowance)`, `lower_t = max(0, lower_(t-1) + centre - allowance - x_t)`.
///
/// # Arguments
/// All in the unit of the values.
/// - `allowance`: k, half the shift that the chart is made for.
/// - `limit`: h; a sum above it is a signal.
/// - `head_start`: where both sums begin, 0 or half the limit (J. M. Lucas, R. B. Crosier, Technometrics 24 (1982) 199-205).
#[must_use]
pub fn cusum(x: &[f64], centre: f64, allowance: f64, limit: f64, head_start: f64) -> Cusum {
    let (mut up, mut down) = (head_start, head_start);
    let mut out = Cusum { upper: Vec::with_capacity(x.len()), lower: Vec::with_capacity(x.len()), first: None };
    for (i, v) in x.iter().enumerate() {
        up = (up + v - centre - allowance).max(0.0);
        down = (down + centre - allowance - v).max(0.0);
        out.upper.push(up);
        out.lower.push(down);
        if out.first.is_none() && (up > limit || down > limit) {
            out.first = Some(i);
        }
    }
    out
}
