//! The spectrogram of a clip: short-time power spectra, thinned to the columns that a picture has.

use ndarray::Array2;
use realfft::RealFftPlanner;

use super::ReportError;
use crate::clip::Scale;
use crate::dsp::window::hann;

/// Level over frequency (rows) and time (columns).
#[derive(Debug, Clone, PartialEq)]
pub struct Spectrogram {
    /// Shape `(freqs_hz.len(), times_s.len())`: mean square per bin in dB re the scale's reference, so that a sine of
    /// RMS 1 reads 0 dB re 1 (and one of full scale -3.01 dB). Not-a-number where nothing was heard at all.
    pub level_db: Array2<f32>,
    /// Centre of each row in Hz, ascending and evenly spaced, from the first bin above 0 Hz.
    pub freqs_hz: Vec<f64>,
    /// Middle of each column in s, ascending and evenly spaced.
    pub times_s: Vec<f64>,
    /// Start of each stroke in s, for the ticks along the top; empty if not known.
    pub stroke_times_s: Vec<f64>,
    /// Reference of the levels.
    pub scale: Scale,
}

/// Reference of a level in the unit of the samples.
fn reference(scale: Scale) -> f64 {
    match scale {
        Scale::FullScale | Scale::MetrePerSecond2 => 1.0,
        Scale::Pascal => crate::units::REFERENCE_PA,
    }
}

/// Short-time spectra of a clip, averaged to at most `max_columns` columns.
///
/// Frames of about 20 ms (a power of two), periodic Hann window, half overlapped or denser; the mean power of a
/// column's frames. Of a column that holds more than 64 frames, 64 evenly spread ones are used.
///
/// # Arguments
/// - `samples`: shape `(n_samples,)`, unit as in `scale`.
/// - `rate_hz`: samples a second.
/// - `max_columns`: most columns wanted, at least 1.
///
/// # Formula
/// `level = 10 log10( 2 |X_k|^2 / (sum w)^2 / ref^2 )`: a sine reads its mean square at its bin.
///
/// # Errors
/// [`ReportError::Empty`] without samples; [`ReportError::Shape`] if `rate_hz` or `max_columns` is not positive;
/// [`ReportError::TooShort`] if not even one frame of 16 samples fits.
pub fn spectrogram_of(
    samples: &[f32],
    rate_hz: f64,
    scale: Scale,
    max_columns: usize,
) -> Result<Spectrogram, ReportError> {
    if samples.is_empty() {
        return Err(ReportError::Empty { what: "clip" });
    }
    if !(rate_hz.is_finite() && rate_hz > 0.0) || max_columns == 0 {
        return Err(ReportError::Shape {
            what: "spectrogram",
            got: format!("{rate_hz} Hz and {max_columns} columns"),
            want: "a sample rate and a number of columns above 0".into(),
        });
    }
    let mut frame_len = 16_usize;
    while (2 * frame_len) as f64 <= 0.025 * rate_hz && 2 * frame_len <= samples.len() {
        frame_len *= 2;
    }
    if samples.len() < frame_len {
        return Err(ReportError::TooShort {
            what: "spectrogram",
            got: format!("{} samples", samples.len()),
            want: format!("{frame_len}"),
        });
    }
    let last_start = samples.len() - frame_len;
    let columns = (last_start / (frame_len / 2) + 1).min(max_columns);
    let column_len = samples.len() as f64 / columns as f64;
    let window: Vec<f32> = hann(frame_len, 0.0).into_iter().map(to_f32).collect();
    let sum: f64 = window.iter().map(|w| f64::from(*w)).sum();
    let gain = 2.0 / (sum * sum) / reference(scale).powi(2);

    let fft = RealFftPlanner::<f32>::new().plan_fft_forward(frame_len);
    let (mut frame, mut spectrum, mut scratch) = (fft.make_input_vec(), fft.make_output_vec(), fft.make_scratch_vec());
    let rows = frame_len / 2;
    let mut level_db = Array2::from_elem((rows, columns), f32::NAN);
    for column in 0..columns {
        let starts = frame_starts(column, column_len, frame_len, last_start);
        let mut power = vec![0.0_f64; rows];
        for start in &starts {
            for ((out, x), w) in frame.iter_mut().zip(&samples[*start..*start + frame_len]).zip(&window) {
                *out = if x.is_finite() { x * w } else { 0.0 };
            }
            // The lengths are those that the plan itself made, so this can't fail.
            if fft.process_with_scratch(&mut frame, &mut spectrum, &mut scratch).is_err() {
                continue;
            }
            for (p, x) in power.iter_mut().zip(&spectrum[1..]) {
                *p += f64::from(x.norm_sqr());
            }
        }
        for (row, p) in power.iter().enumerate() {
            if *p > 0.0 {
                level_db[[row, column]] = to_f32(10.0 * libm::log10(p / starts.len() as f64 * gain));
            }
        }
    }
    Ok(Spectrogram {
        level_db,
        freqs_hz: (1..=rows).map(|k| k as f64 * rate_hz / frame_len as f64).collect(),
        times_s: (0..columns).map(|c| (c as f64 + 0.5) * column_len / rate_hz).collect(),
        stroke_times_s: Vec::new(),
        scale,
    })
}

/// First samples of the frames that make a column.
#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "positions within the clip")]
fn frame_starts(column: usize, column_len: f64, frame_len: usize, last_start: usize) -> Vec<usize> {
    let middle = (column as f64 + 0.5) * column_len - frame_len as f64 / 2.0;
    let count = ((column_len / (frame_len as f64 / 2.0)).round() as usize).clamp(1, 64);
    (0..count)
        .map(|k| middle + ((k as f64 + 0.5) / count as f64 - 0.5) * column_len)
        .map(|start| (start.round().max(0.0) as usize).min(last_start))
        .collect()
}

#[expect(clippy::cast_possible_truncation, reason = "levels and window values need no more digits")]
fn to_f32(x: f64) -> f32 {
    x as f32
}

#[cfg(test)]
mod tests {
    use super::*;

    fn sine(freq_hz: f64, amplitude: f64, rate_hz: f64, n: usize) -> Vec<f32> {
        (0..n).map(|i| to_f32(amplitude * (2.0 * std::f64::consts::PI * freq_hz * i as f64 / rate_hz).sin())).collect()
    }

    #[test]
    fn a_sine_reads_its_mean_square_at_its_frequency() {
        let (rate, amplitude) = (48_000.0, 0.5);
        // 1500 Hz is bin 32 of 1024 at 48 kHz.
        let s = spectrogram_of(&sine(1500.0, amplitude, rate, 48_000), rate, Scale::FullScale, 50).unwrap();
        let row = s.freqs_hz.iter().position(|f| (f - 1500.0).abs() < 1.0).unwrap();
        for column in 1..s.times_s.len() - 1 {
            let got = f64::from(s.level_db[[row, column]]);
            let want = 10.0 * (amplitude * amplitude / 2.0).log10();
            assert!((got - want).abs() < 0.01, "{got} instead of {want}");
        }
        let pascal = spectrogram_of(&sine(1500.0, 1.0, rate, 48_000), rate, Scale::Pascal, 50).unwrap();
        // A sine of 1 Pa amplitude: 90.97 dB re 20 uPa (20 log10(1 / sqrt 2 / 20e-6)).
        assert!((f64::from(pascal.level_db[[row, 25]]) - 90.97).abs() < 0.01);
    }

    #[test]
    fn columns_and_times_fit_the_clip_at_any_rate() {
        for (rate, n, most) in
            [(8000.0, 8000, 40), (44_100.0, 100_000, 1200), (192_000.0, 50_000, 7), (11_025.0, 40, 9)]
        {
            let s = spectrogram_of(&sine(rate / 7.0, 0.1, rate, n), rate, Scale::FullScale, most).unwrap();
            assert!(s.times_s.len() <= most && !s.times_s.is_empty());
            assert_eq!(s.level_db.dim(), (s.freqs_hz.len(), s.times_s.len()));
            let end = n as f64 / rate;
            assert!(s.times_s[0] >= 0.0 && s.times_s[s.times_s.len() - 1] <= end);
        }
    }

    #[test]
    fn a_burst_stands_in_its_column() {
        let rate = 48_000.0;
        let mut x = vec![0.0_f32; 96_000];
        x[48_000..48_480].copy_from_slice(&sine(5000.0, 0.8, rate, 480));
        let s = spectrogram_of(&x, rate, Scale::FullScale, 100).unwrap();
        let loudest = (0..100).max_by(|a, b| {
            let sum = |c: usize| {
                s.level_db
                    .column(c)
                    .iter()
                    .filter(|v| v.is_finite())
                    .map(|v| 10_f64.powf(f64::from(*v) / 10.0))
                    .sum::<f64>()
            };
            sum(*a).total_cmp(&sum(*b))
        });
        assert!(matches!(loudest, Some(49..=50)), "{loudest:?}");
    }

    #[test]
    fn nothing_in_gives_an_error_and_silence_gives_no_data() {
        assert!(matches!(spectrogram_of(&[], 48_000.0, Scale::FullScale, 10), Err(ReportError::Empty { .. })));
        assert!(spectrogram_of(&[0.0; 100], 0.0, Scale::FullScale, 10).is_err());
        assert!(spectrogram_of(&[0.0; 100], 48_000.0, Scale::FullScale, 0).is_err());
        assert!(spectrogram_of(&[0.0; 3], 48_000.0, Scale::FullScale, 1).is_err());
        let quiet = spectrogram_of(&[0.0; 4800], 48_000.0, Scale::FullScale, 10).unwrap();
        assert!(quiet.level_db.iter().all(|v| v.is_nan()));
        let odd = spectrogram_of(&[f32::NAN; 4800], 48_000.0, Scale::FullScale, 10).unwrap();
        assert!(odd.level_db.iter().all(|v| v.is_nan()));
    }
}
