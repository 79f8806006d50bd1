//! The fixed frequency bands of every stroke map.

/// Lowest band edge in Hz.
pub const LOWEST_HZ: f64 = 100.0;
/// Highest band edge in Hz.
pub const HIGHEST_HZ: f64 = 20_000.0;
/// Bands of a stroke map.
pub const N_BAND: usize = 32;
/// Narrowest band in Hz: one line of the 10.7 ms frames; narrower bands would only repeat their neighbour.
const NARROWEST_HZ: f64 = 93.75;
/// Share of the sample rate up to which a band is trusted; above it lie the converter's filters.
const USABLE_SHARE: f64 = 0.46;

/// Edges of the `N_BAND` bands in Hz, ascending, length `N_BAND + 1`.
///
/// Log-spaced from 100 Hz to 20 kHz, but never narrower than one spectral line, so the lowest few are evenly
/// spaced. The same for every sample rate, so clips of different rates compare band by band.
#[must_use]
pub fn band_edges_hz() -> Vec<f64> {
    // The ratio that ends at HIGHEST_HZ, by bisection: the end grows with the ratio.
    let build = |ratio: f64| {
        let mut edges = vec![LOWEST_HZ];
        let mut last = LOWEST_HZ;
        for _ in 0..N_BAND {
            last += (last * (ratio - 1.0)).max(NARROWEST_HZ);
            edges.push(last);
        }
        edges
    };
    let (mut lo, mut hi) = (1.0, 2.0);
    for _ in 0..100 {
        let mid = 0.5 * (lo + hi);
        if build(mid)[N_BAND] < HIGHEST_HZ {
            lo = mid;
        } else {
            hi = mid;
        }
    }
    let mut edges = build(hi);
    edges[N_BAND] = HIGHEST_HZ;
    edges
}

/// How many of the bands a recording at this rate can carry.
#[must_use]
pub fn usable_bands(edges_hz: &[f64], sample_rate_hz: f64) -> usize {
    edges_hz.iter().skip(1).take_while(|&&upper| upper <= USABLE_SHARE * sample_rate_hz).count()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn bands_ascend_and_are_never_narrower_than_a_line() {
        let e = band_edges_hz();
        assert!(e.windows(2).all(|w| w[1] - w[0] >= NARROWEST_HZ - 1e-6));
        assert!((e[N_BAND] - HIGHEST_HZ).abs() < 1e-9);
    }

    #[test]
    fn upper_bands_are_log_spaced() {
        let e = band_edges_hz();
        let r1 = e[N_BAND] / e[N_BAND - 1];
        let r2 = e[N_BAND - 5] / e[N_BAND - 6];
        assert!((r1 - r2).abs() < 1e-6, "{r1} {r2}");
    }

    #[test]
    fn a_slow_rate_carries_fewer_bands() {
        let e = band_edges_hz();
        assert_eq!(usable_bands(&e, 48_000.0), N_BAND);
        assert_eq!(usable_bands(&e, 44_100.0), N_BAND);
        let n = usable_bands(&e, 8_000.0);
        assert!(e[n] <= 3_680.0 && e[n + 1] > 3_680.0);
    }
}
