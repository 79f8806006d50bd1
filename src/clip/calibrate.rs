//! From stored numbers to physical units: sensitivity of an accelerometer, or a clip of a sound calibrator.

use std::path::Path;

use realfft::RealFftPlanner;

use super::{ClipError, Code, ReadSettings};
use crate::dsp::window::hann;
use crate::units::{M_S2_PER_G, REFERENCE_PA};

/// m/s2 that digital full scale means for an accelerometer.
///
/// # Formula
/// `volts_full_scale / (mv_per_g / 1000) * 9.80665`
///
/// # Arguments
/// - `volts_full_scale`: peak voltage at which the recorder reaches digital full scale, in V.
/// - `mv_per_g`: sensitivity of the sensor, in mV per standard gravity.
#[must_use]
pub fn metres_per_s2_per_full_scale(volts_full_scale: f64, mv_per_g: f64) -> f64 {
    volts_full_scale / (mv_per_g / 1000.0) * M_S2_PER_G
}

/// Length of an analysed slice in seconds: long enough for a narrow band round the tone.
const SLICE_S: f64 = 0.25;
/// The tone is looked for within this share of its nominal frequency.
const FREQ_SHARE: f64 = 0.03;
/// The tone must hold so much of the power above 60 Hz.
const LEAST_SHARE: f64 = 0.8;
/// Slices within this of the steady level count.
const STEADY_DB: f64 = 0.5;
/// Steady tone needed, in seconds.
const LEAST_STEADY_S: f64 = 2.0;

/// Pa that digital full scale means, from a clip of a sound calibrator on the microphone (IEC 60942).
///
/// The power of the tone is summed over the bins of a Hann-windowed spectrum within 3 % of its frequency, slice by slice;
/// the steady slices near the upper quartile count, so that fumbling before and after does not matter.
///
/// # Arguments
/// - `path`: the clip.
/// - `level_db`: level of the calibrator in dB re 20 uPa, usually 94 (1.00237 Pa) or 114.
/// - `freq_hz`: its frequency, usually 1000.
///
/// # Errors
/// [`ClipError::Calibrator`] if the clip is clipped, too short, or the tone does not rule it; the errors of
/// [`read`](super::read).
pub fn calibrator(path: &Path, level_db: f64, freq_hz: f64) -> Result<f64, ClipError> {
    let wrong = |what: String| ClipError::Calibrator { path: path.to_path_buf(), what };
    if !level_db.is_finite() || !(40.0..=180.0).contains(&level_db) {
        return Err(wrong(format!("{level_db} dB is no level of a calibrator; 94 and 114 are usual")));
    }
    let clip = super::read(path, &ReadSettings::default())?;
    if clip.scale != super::Scale::FullScale {
        return Err(wrong("it is a table in physical units; record the calibrator with the microphone".into()));
    }
    if let Some(found) = clip.findings.iter().find(|f| matches!(f.code, Code::Clipped | Code::Silent)) {
        return Err(wrong(format!("{}: record the calibrator again at the gain of the clips", found.code.as_str())));
    }
    let rate_hz = clip.sample_rate_hz;
    if !(freq_hz.is_finite() && freq_hz >= 100.0 && freq_hz <= 0.4 * rate_hz) {
        return Err(wrong(format!(
            "a tone of {freq_hz} Hz can't be in it; it must lie between 100 Hz and {:.0} Hz",
            0.4 * rate_hz
        )));
    }
    let slices = tone_slices(&clip.samples, rate_hz, freq_hz);
    let mut levels: Vec<f64> = slices.iter().map(|s| s.tone).collect();
    levels.sort_unstable_by(f64::total_cmp);
    let Some(&upper) = levels.get(levels.len() * 3 / 4).filter(|&&p| p > 0.0) else {
        return Err(wrong(format!("it is shorter than {LEAST_STEADY_S} s; record 10 s of the tone")));
    };
    let steady: Vec<&Slice> = slices.iter().filter(|s| (10.0 * (s.tone / upper).log10()).abs() <= STEADY_DB).collect();
    let ruled: Vec<&&Slice> = steady.iter().filter(|s| s.tone >= LEAST_SHARE * s.all).collect();
    if ruled.len() * 2 < steady.len() {
        let share = steady.iter().map(|s| s.tone / s.all).sum::<f64>() / steady.len() as f64;
        return Err(wrong(format!(
            "only {:.0} % of its power is a tone near {freq_hz} Hz; seat the calibrator tightly, switch it on, and record \
             again away from the pump",
            100.0 * share
        )));
    }
    // Slices overlap by half.
    if (ruled.len() as f64 + 1.0) * SLICE_S / 2.0 < LEAST_STEADY_S {
        return Err(wrong(format!("its tone is steady for less than {LEAST_STEADY_S} s; record 10 s of it")));
    }
    let power = ruled.iter().map(|s| s.tone).sum::<f64>() / ruled.len() as f64;
    Ok(REFERENCE_PA * 10.0_f64.powf(level_db / 20.0) / power.sqrt())
}

/// Mean squares of one slice.
struct Slice {
    /// Near the tone's frequency.
    tone: f64,
    /// Above 60 Hz.
    all: f64,
}

fn tone_slices(samples: &[f32], rate_hz: f64, freq_hz: f64) -> Vec<Slice> {
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "rates are 100 Hz to 1 MHz")]
    let len = ((rate_hz * SLICE_S) as usize).max(8);
    let window = hann(len, 0.0);
    let window_power: f64 = window.iter().map(|w| w * w).sum();
    let fft = RealFftPlanner::<f64>::new().plan_fft_forward(len);
    let mut input = fft.make_input_vec();
    let mut spectrum = fft.make_output_vec();
    let bin_hz = rate_hz / len as f64;
    let mut slices = Vec::new();
    for slice in samples.windows(len).step_by(len / 2) {
        let mean = slice.iter().map(|&x| f64::from(x)).sum::<f64>() / len as f64;
        for ((out, &x), w) in input.iter_mut().zip(slice).zip(&window) {
            *out = (f64::from(x) - mean) * w;
        }
        if fft.process(&mut input, &mut spectrum).is_err() {
            continue;
        }
        let mut found = Slice { tone: 0.0, all: 0.0 };
        for (k, value) in spectrum.iter().enumerate() {
            // Parseval for one side of the spectrum: twice |X|^2 over N times the window's sum of squares.
            let power = 2.0 * value.norm_sqr() / (len as f64 * window_power);
            let at_hz = k as f64 * bin_hz;
            if at_hz > 60.0 {
                found.all += power;
            }
            // The main lobe of the window is two bins wide to each side.
            if (at_hz - freq_hz).abs() <= FREQ_SHARE * freq_hz + 2.0 * bin_hz {
                found.tone += power;
            }
        }
        slices.push(found);
    }
    slices
}
