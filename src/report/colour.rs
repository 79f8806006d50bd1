//! The two colour scales of the pictures, and the colour arithmetic to make and check them.
//!
//! Rule of both scales: *darker is more*. On paper in grey the louder cell is the blacker one, quiet parts cost no ink,
//! and black lettering stays readable on them. Lightness (CIE 1976 L*) falls evenly along each scale, so equal steps in
//! dB look equal also in grey; hues run yellow - teal - blue and orange - white - blue, which the common kinds of colour
//! blindness keep apart. A diverging scale can't show its sign in grey: the pictures print `+` and `-` on it.
//!
//! Published sources: OKLab (B. Ottosson 2020), CIELAB and sRGB (IEC 61966-2-1, D65).

use std::sync::OnceLock;

use crate::score::State;

/// Steps of each scale.
pub const STEPS: usize = 129;

/// 8-bit sRGB.
pub type Rgb = [u8; 3];

/// Colour of a cell without data, under its hatching.
pub const NO_DATA: Rgb = [225, 225, 225];

/// Lightness of the quiet and the loud end of the level scale, L*.
const LEVEL_LIGHTNESS: [f64; 2] = [97.0, 12.0];
/// Lightness of "no change" and of both ends of the difference scale, L*.
const CHANGE_LIGHTNESS: [f64; 2] = [97.0, 34.0];

/// The level scale: 0 is quiet (light), 1 is loud (dark). Values outside are clamped.
#[must_use]
pub fn level(x: f64) -> Rgb {
    static TABLE: OnceLock<[Rgb; STEPS]> = OnceLock::new();
    TABLE.get_or_init(|| {
        std::array::from_fn(|i| {
            let x = i as f64 / (STEPS - 1) as f64;
            let lightness = LEVEL_LIGHTNESS[0] + x * (LEVEL_LIGHTNESS[1] - LEVEL_LIGHTNESS[0]);
            // Hue (OKLab, degrees) from yellow through teal to blue; most colour in the middle, where there is room.
            of_lightness(lightness, 0.045 + 0.075 * (std::f64::consts::PI * x).sin(), 105.0 + 165.0 * x)
        })
    })[step(x)]
}

/// The difference scale: -1 is much quieter (blue), 0 no change (near white), 1 much louder (orange brown).
#[must_use]
pub fn change(x: f64) -> Rgb {
    static TABLE: OnceLock<[Rgb; STEPS]> = OnceLock::new();
    TABLE.get_or_init(|| {
        std::array::from_fn(|i| {
            let x = 2.0 * i as f64 / (STEPS - 1) as f64 - 1.0;
            let lightness = CHANGE_LIGHTNESS[0] + x.abs() * (CHANGE_LIGHTNESS[1] - CHANGE_LIGHTNESS[0]);
            of_lightness(lightness, 0.15 * x.abs().powf(0.8), if x > 0.0 { 45.0 } else { 255.0 })
        })
    })[step((x + 1.0) / 2.0)]
}

/// Index of a scale's step for `x` in 0..=1.
#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "clamped to 0..STEPS first")]
fn step(x: f64) -> usize {
    if x.is_nan() { 0 } else { (x.clamp(0.0, 1.0) * (STEPS - 1) as f64).round() as usize }
}

/// Background and ink of a verdict's badge; every pair has a contrast above 4.5 (WCAG AA, tested).
pub(crate) fn badge_colours(state: State) -> (&'static str, &'static str) {
    match state {
        State::Departed => ("#8c2d04", "#ffffff"),
        State::Drifting => ("#ffcf70", "#1a1a1a"),
        State::Unjudged => ("#44475a", "#ffffff"),
        State::Steady => ("#d9efe0", "#0b3d1e"),
    }
}

/// Whether black lettering reads better than white on this colour.
#[must_use]
pub fn wants_black(rgb: Rgb) -> bool {
    lightness(rgb) > 52.0
}

/// CIE 1976 lightness L* of an sRGB colour, 0 to 100.
#[must_use]
pub fn lightness(rgb: Rgb) -> f64 {
    let y = luminance(rgb);
    if y > 216.0 / 24389.0 { 116.0 * libm::cbrt(y) - 16.0 } else { y * 24389.0 / 27.0 }
}

/// Relative luminance of an sRGB colour, 0 to 1 (the Y of IEC 61966-2-1).
#[must_use]
pub fn luminance(rgb: Rgb) -> f64 {
    let [r, g, b] = rgb.map(|c| to_linear(f64::from(c) / 255.0));
    0.212_639 * r + 0.715_169 * g + 0.072_192 * b
}

/// sRGB transfer curve, to linear light.
fn to_linear(c: f64) -> f64 {
    if c <= 0.04045 { c / 12.92 } else { libm::pow((c + 0.055) / 1.055, 2.4) }
}

/// sRGB transfer curve, from linear light.
fn from_linear(c: f64) -> f64 {
    if c <= 0.003_130_8 { 12.92 * c } else { 1.055 * libm::pow(c, 1.0 / 2.4) - 0.055 }
}

/// OKLab lightness, chroma and hue (degrees) to linear sRGB, which may lie outside 0..1.
fn oklch_to_linear(l: f64, chroma: f64, hue_deg: f64) -> [f64; 3] {
    let (a, b) = (chroma * libm::cos(hue_deg.to_radians()), chroma * libm::sin(hue_deg.to_radians()));
    let cube = |x: f64| x * x * x;
    let long = cube(l + 0.396_337_777_4 * a + 0.215_803_757_3 * b);
    let medium = cube(l - 0.105_561_345_8 * a - 0.063_854_172_8 * b);
    let short = cube(l - 0.089_484_177_5 * a - 1.291_485_548_0 * b);
    [
        4.076_741_662_1 * long - 3.307_711_591_3 * medium + 0.230_969_929_2 * short,
        -1.268_438_004_6 * long + 2.609_757_401_1 * medium - 0.341_319_396_5 * short,
        -0.004_196_086_3 * long - 0.703_418_614_7 * medium + 1.707_614_701_0 * short,
    ]
}

/// The sRGB colour of a given L*, as near to the asked chroma at this hue as the screen can show.
fn of_lightness(lightness: f64, chroma: f64, hue_deg: f64) -> Rgb {
    let target_y = libm::pow((lightness + 16.0) / 116.0, 3.0);
    let mut chroma = chroma;
    loop {
        // Luminance grows with OKLab lightness at fixed chroma and hue: bisect.
        let (mut low, mut high) = (0.0, 1.1);
        for _ in 0..48 {
            let mid = (low + high) / 2.0;
            let [r, g, b] = oklch_to_linear(mid, chroma, hue_deg);
            if 0.212_639 * r + 0.715_169 * g + 0.072_192 * b < target_y { low = mid } else { high = mid }
        }
        let rgb = oklch_to_linear(low, chroma, hue_deg);
        if chroma < 1e-3 || rgb.iter().all(|c| (-1e-4..=1.0001).contains(c)) {
            return rgb.map(to_byte);
        }
        chroma *= 0.97;
    }
}

#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "clamped to 0..=255 first")]
fn to_byte(linear: f64) -> u8 {
    (from_linear(linear.clamp(0.0, 1.0)) * 255.0).round().clamp(0.0, 255.0) as u8
}

#[cfg(test)]
mod tests {
    use super::*;

    fn scale(f: impl Fn(f64) -> Rgb) -> Vec<Rgb> {
        (0..STEPS).map(|i| f(i as f64 / (STEPS - 1) as f64)).collect()
    }

    /// Largest and smallest fall of L* per step of 8 table entries (one entry is near the rounding of 8 bits).
    fn falls(colours: &[Rgb]) -> (f64, f64) {
        let l: Vec<f64> = colours.iter().map(|c| lightness(*c)).collect();
        let steps: Vec<f64> = l.windows(9).map(|w| w[0] - w[8]).collect();
        (steps.iter().copied().fold(f64::MAX, f64::min), steps.iter().copied().fold(f64::MIN, f64::max))
    }

    #[test]
    fn lightness_agrees_with_published_values() {
        // L* of sRGB primaries under D65, from memory of the usual tables: white 100, red 53.24, green 87.73, blue 32.30.
        for (rgb, want) in [([255, 255, 255], 100.0), ([255, 0, 0], 53.24), ([0, 255, 0], 87.73), ([0, 0, 255], 32.30)]
        {
            assert!((lightness(rgb) - want).abs() < 0.02, "{rgb:?}: {} instead of {want}", lightness(rgb));
        }
    }

    #[test]
    fn level_scale_darkens_evenly() {
        let (least, most) = falls(&scale(level));
        assert!(least > 0.0 && most / least < 1.25, "steps of L* from {least:.2} to {most:.2}");
        assert!(lightness(level(0.0)) > 95.0 && lightness(level(1.0)) < 15.0);
    }

    #[test]
    fn both_arms_of_the_difference_scale_darken_evenly_and_alike() {
        let half = |sign: f64| scale(move |x| change(sign * x)).into_iter().step_by(2).collect::<Vec<_>>();
        for arm in [half(1.0), half(-1.0)] {
            let (least, most) = falls(&arm);
            assert!(least > 0.0 && most / least < 1.25, "steps of L* from {least:.2} to {most:.2}");
        }
        for i in 0..=10 {
            let x = f64::from(i) / 10.0;
            assert!((lightness(change(x)) - lightness(change(-x))).abs() < 1.0, "arms differ at {x}");
        }
    }

    #[test]
    fn colour_blind_readers_tell_louder_from_quieter() {
        // Machado, Oliveira, Fernandes 2009, severity 1.0, on linear sRGB (matrices from memory).
        let kinds = [
            (
                "protanopia",
                [
                    [0.152_286, 1.052_583, -0.204_868],
                    [0.114_503, 0.786_281, 0.099_216],
                    [-0.003_882, -0.048_116, 1.051_998],
                ],
            ),
            (
                "deuteranopia",
                [
                    [0.367_322, 0.860_646, -0.227_968],
                    [0.280_085, 0.672_501, 0.047_413],
                    [-0.011_820, 0.042_940, 0.968_881],
                ],
            ),
            (
                "tritanopia",
                [
                    [1.255_528, -0.076_749, -0.178_779],
                    [-0.078_411, 0.930_809, 0.147_602],
                    [0.004_733, 0.691_367, 0.303_900],
                ],
            ),
        ];
        let seen = |m: &[[f64; 3]; 3], rgb: Rgb| {
            let lin = rgb.map(|c| to_linear(f64::from(c) / 255.0));
            m.map(|row| from_linear(row.iter().zip(lin).map(|(a, b)| a * b).sum::<f64>().clamp(0.0, 1.0)) * 255.0)
        };
        for (name, m) in &kinds {
            for x in [0.35, 0.7, 1.0] {
                let (up, down) = (seen(m, change(x)), seen(m, change(-x)));
                let apart = up.iter().zip(down).map(|(a, b)| (a - b).powi(2)).sum::<f64>().sqrt();
                assert!(apart > 40.0, "{name}: louder and quieter by {x} are only {apart:.0} apart");
            }
            let dark: Vec<f64> = scale(level).iter().map(|c| seen(m, *c).iter().sum::<f64>()).collect();
            assert!(dark.windows(5).all(|w| w[4] < w[0]), "{name}: the level scale does not darken throughout");
        }
    }

    #[test]
    fn values_outside_the_scale_are_clamped() {
        assert_eq!(level(-3.0), level(0.0));
        assert_eq!(level(7.0), level(1.0));
        assert_eq!(change(-9.0), change(-1.0));
        assert_eq!(level(f64::NAN), level(0.0));
    }
}
