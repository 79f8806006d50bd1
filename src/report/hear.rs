//! A sound in which a change can be heard: healthy, now, healthy, now, a few strokes each, at equal gain.
//!
//! The changed band is cut out with a filter that shifts nothing in time; outside the changed arc the sound is turned
//! down, not off, so that the rhythm stays and the ear knows where in the turn it is. One low beep announces a healthy
//! part, two high ones the part of now.

use std::f64::consts::PI;
use std::path::Path;

use realfft::RealFftPlanner;

use super::ReportError;

/// A recording with its crank angle.
#[derive(Debug, Clone, Copy)]
pub struct HearInput<'a> {
    /// Shape `(n_samples,)`, both recordings in the same unit.
    pub samples: &'a [f32],
    /// Samples a second.
    pub rate_hz: f64,
    /// Crank angle at each sample, shape `(n_samples,)`, 0 to 360 degrees; not-a-number where it is not known.
    pub angle_deg: &'a [f32],
    /// Added to the level before the two are compared, in dB: the negative of what the recording's own gain is above
    /// its baseline's (`level_db` of the verdict), or 0.
    pub gain_db: f64,
}

/// What is to be heard.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct HearSettings {
    /// The changed band in Hz.
    pub band_hz: [f64; 2],
    /// The changed arc in degrees; the end lies below the start when the arc passes 360.
    pub arc_deg: [f64; 2],
    /// Strokes a section.
    pub strokes: usize,
}

/// Strokes a section that the ear can follow before it forgets the one before.
pub const USUAL_STROKES: usize = 4;
/// How far the sound outside the arc is turned down, in dB.
const DUCK_DB: f64 = -20.0;
/// Degrees over which it is turned down.
const DUCK_RAMP_DEG: f64 = 10.0;
/// Octaves over which the band filter falls to nothing on either side.
const SKIRT_OCTAVES: f64 = 1.0 / 3.0;
/// RMS of the louder recording in the result, and the peak that nothing passes.
const TARGET_RMS: f64 = 0.1;
const MOST_PEAK: f64 = 0.89;
/// No player or ear needs more.
const MOST_RATE_HZ: f64 = 48_000.0;
/// Silence around the beeps, length of a beep, fades of a section: seconds.
const SILENCE_S: f64 = 0.2;
const BEEP_S: f64 = 0.1;
const FADE_S: f64 = 0.01;

/// A stretch of the result.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct Section {
    /// First second.
    pub start_s: f64,
    /// Last second.
    pub end_s: f64,
    /// `healthy` or `now`.
    pub what: &'static str,
    /// Whole strokes in it.
    pub strokes: usize,
}

/// The sound and what is where in it.
#[derive(Debug, Clone, PartialEq)]
pub struct Heard {
    /// Shape `(n_samples,)`, full scale is 1, no sample beyond 0.89.
    pub samples: Vec<f32>,
    /// Samples a second.
    pub rate_hz: u32,
    /// Healthy, now, healthy, now.
    pub sections: Vec<Section>,
    /// The one gain given to both recordings, in dB.
    pub gain_db: f64,
}

impl Heard {
    /// What is where, a line each, for a person.
    #[must_use]
    pub fn description(&self) -> String {
        let mut out = String::new();
        for s in &self.sections {
            let beeps = if s.what == "now" { "two high beeps" } else { "one low beep" };
            let strokes = if s.strokes == 1 { "1 stroke".into() } else { format!("{} strokes", s.strokes) };
            out += &format!("{:5.1} s to {:5.1} s  {:<7}  {strokes}, after {beeps}\n", s.start_s, s.end_s, s.what);
        }
        out
    }

    /// Writes a mono WAV of 24-bit integers.
    ///
    /// # Errors
    /// [`ReportError::Sound`] if it can't be encoded, [`ReportError::Write`] if it can't be written.
    pub fn write_wav(&self, path: &Path) -> Result<(), ReportError> {
        super::write_file(path, &self.wav()?)
    }

    /// The bytes of that WAV.
    ///
    /// # Errors
    /// [`ReportError::Sound`] if it can't be encoded.
    pub fn wav(&self) -> Result<Vec<u8>, ReportError> {
        self.wav_of(24)
    }

    /// A mono WAV of 16-bit integers: a third smaller, and enough for an ear beside a pump.
    ///
    /// # Errors
    /// As [`Heard::wav`].
    pub fn small_wav(&self) -> Result<Vec<u8>, ReportError> {
        self.wav_of(16)
    }

    fn wav_of(&self, bits: u16) -> Result<Vec<u8>, ReportError> {
        let full = f64::from((1_u32 << (bits - 1)) - 1);
        let failed = |e: hound::Error| ReportError::Sound { text: e.to_string() };
        let spec = hound::WavSpec {
            channels: 1,
            sample_rate: self.rate_hz,
            bits_per_sample: bits,
            sample_format: hound::SampleFormat::Int,
        };
        let mut bytes = std::io::Cursor::new(Vec::new());
        let mut writer = hound::WavWriter::new(&mut bytes, spec).map_err(failed)?;
        for x in &self.samples {
            #[expect(clippy::cast_possible_truncation, reason = "clamped to at most 24 bits")]
            let value = (f64::from(*x).clamp(-1.0, 1.0) * full).round() as i32;
            writer.write_sample(value).map_err(failed)?;
        }
        writer.finalize().map_err(failed)?;
        Ok(bytes.into_inner())
    }
}

/// Makes the sound of a change.
///
/// # Arguments
/// - `good`: a known-good recording of the spot, `now`: the recording that departs, both with angles of one origin.
///
/// # Returns
/// Sections in the order healthy, now, healthy, now. Both recordings get the same gain, so a difference that is heard is
/// a difference that was there (beyond their [`HearInput::gain_db`]).
///
/// # Errors
/// [`ReportError::Empty`], [`ReportError::Shape`] for settings that make no sense, [`ReportError::TooShort`] without one
/// whole stroke, [`ReportError::Sound`] if the band holds nothing to be heard.
pub fn hear(good: &HearInput<'_>, now: &HearInput<'_>, settings: &HearSettings) -> Result<Heard, ReportError> {
    play(good, now, settings, MOST_RATE_HZ, 2)
}

/// Longest extract for a note in seconds, unless one stroke of each is longer.
pub const EXTRACT_S: f64 = 6.0;
/// Samples a second of an extract: half of a compact disc's, which holds bands up to 11 kHz.
const EXTRACT_RATE_HZ: f64 = 22_050.0;

/// As [`hear()`], short and small: healthy and now once each, in [`EXTRACT_S`], at 22.05 kHz (44.1 kHz where the change lies higher).
///
/// # Errors
/// As [`hear()`].
pub fn extract(good: &HearInput<'_>, now: &HearInput<'_>, settings: &HearSettings) -> Result<Heard, ReportError> {
    let rate_hz = if settings.band_hz[0] < 0.4 * EXTRACT_RATE_HZ { EXTRACT_RATE_HZ } else { 2.0 * EXTRACT_RATE_HZ };
    let mut best = None;
    for strokes in 1..=settings.strokes.max(1) {
        let heard = play(good, now, &HearSettings { strokes, ..*settings }, rate_hz, 1)?;
        let seconds = heard.samples.len() as f64 / f64::from(heard.rate_hz);
        if strokes > 1 && seconds > EXTRACT_S {
            break;
        }
        best = Some(heard);
    }
    best.ok_or_else(|| ReportError::Sound { text: "no stroke was asked for".into() })
}

fn play(
    good: &HearInput<'_>,
    now: &HearInput<'_>,
    settings: &HearSettings,
    most_rate_hz: f64,
    times: usize,
) -> Result<Heard, ReportError> {
    check(good, "healthy recording", settings)?;
    check(now, "recording of now", settings)?;
    let rate_hz = good.rate_hz.max(now.rate_hz).min(most_rate_hz).round();
    let parts =
        [part(good, "healthy recording", settings, rate_hz)?, part(now, "recording of now", settings, rate_hz)?];
    let rms = |x: &[f64]| (x.iter().map(|v| v * v).sum::<f64>() / x.len().max(1) as f64).sqrt();
    let loudest = parts.iter().map(|p| rms(&p.samples)).fold(0.0, f64::max);
    let peak = parts.iter().flat_map(|p| &p.samples).fold(0.0_f64, |m, v| m.max(v.abs()));
    if !(peak.is_finite() && peak > 0.0 && loudest > 0.0) {
        let [low, high] = settings.band_hz;
        return Err(ReportError::Sound {
            text: format!("nothing to hear between {low:.0} and {high:.0} Hz; check the band and the sample rates"),
        });
    }
    let gain = (TARGET_RMS / loudest).min(MOST_PEAK / peak);

    let mut out: Vec<f64> = Vec::new();
    let mut sections = Vec::new();
    for (i, part) in parts.iter().cycle().take(2 * times).enumerate() {
        announce(&mut out, rate_hz, i % 2 == 1);
        let start_s = out.len() as f64 / rate_hz;
        let n = part.samples.len();
        let fade = (FADE_S * rate_hz).min(n as f64 / 2.0).max(1.0);
        out.extend(part.samples.iter().enumerate().map(|(k, v)| {
            let from_edge = k.min(n - 1 - k) as f64;
            v * gain * smooth((from_edge + 0.5) / fade)
        }));
        let end_s = out.len() as f64 / rate_hz;
        let what = if i % 2 == 0 { "healthy" } else { "now" };
        sections.push(Section { start_s, end_s, what, strokes: part.strokes });
    }
    out.extend(std::iter::repeat_n(0.0, samples_in(SILENCE_S, rate_hz)));
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "8 to 48 kHz; |sample| <= 0.89")]
    Ok(Heard {
        samples: out.iter().map(|v| *v as f32).collect(),
        rate_hz: rate_hz as u32,
        sections,
        gain_db: 20.0 * libm::log10(gain),
    })
}

/// The chosen strokes of a recording, filtered and ducked.
struct Part {
    samples: Vec<f64>,
    strokes: usize,
}

fn check(input: &HearInput<'_>, what: &'static str, settings: &HearSettings) -> Result<(), ReportError> {
    if input.samples.is_empty() {
        return Err(ReportError::Empty { what });
    }
    if input.angle_deg.len() != input.samples.len() {
        return Err(ReportError::Shape {
            what,
            got: format!("{} angles for {} samples", input.angle_deg.len(), input.samples.len()),
            want: "one angle a sample".into(),
        });
    }
    if !(input.rate_hz.is_finite() && input.rate_hz >= 1.0 && input.gain_db.is_finite()) {
        return Err(ReportError::Shape {
            what,
            got: format!("{} Hz, gain {} dB", input.rate_hz, input.gain_db),
            want: "a sample rate above 1 Hz and a finite gain".into(),
        });
    }
    let [low, high] = settings.band_hz;
    let arc_ok = settings.arc_deg.iter().all(|a| a.is_finite());
    if !(low.is_finite() && high.is_finite() && low >= 0.0 && low < high && arc_ok) || settings.strokes == 0 {
        return Err(ReportError::Shape {
            what: "change to hear",
            got: format!(
                "band {:?} Hz, arc {:?} degrees, {} strokes",
                settings.band_hz, settings.arc_deg, settings.strokes
            ),
            want: "a band from low to high, a finite arc and at least one stroke".into(),
        });
    }
    if low >= input.rate_hz / 2.0 {
        return Err(ReportError::Shape {
            what,
            got: format!("sample rate {} Hz", input.rate_hz),
            want: format!("more than {:.0} Hz to hold the changed band", 2.0 * low),
        });
    }
    Ok(())
}

/// First and past-the-end samples of the whole strokes whose angle is known throughout.
fn strokes_of(angle_deg: &[f32]) -> Vec<[usize; 2]> {
    let turns: Vec<usize> = (1..angle_deg.len()).filter(|i| angle_deg[*i] < angle_deg[*i - 1] - 180.0).collect();
    turns.windows(2).map(|w| [w[0], w[1]]).filter(|s| angle_deg[s[0]..s[1]].iter().all(|a| a.is_finite())).collect()
}

/// The run of `want` neighbouring strokes whose levels are nearest the middle one of all: no clank, no lull.
fn typical_run(strokes: &[[usize; 2]], samples: &[f32], want: usize) -> Option<[usize; 3]> {
    let level = |s: &[usize; 2]| {
        let sum: f64 = samples[s[0]..s[1]].iter().map(|x| f64::from(*x).powi(2)).filter(|x| x.is_finite()).sum();
        10.0 * libm::log10(sum / (s[1] - s[0]) as f64 + 1e-30)
    };
    let levels: Vec<f64> = strokes.iter().map(level).collect();
    let mut sorted = levels.clone();
    sorted.sort_by(f64::total_cmp);
    let middle = *sorted.get(sorted.len() / 2)?;
    // Strokes may be parted by stretches of unknown angle: a run must be unbroken. Fewer strokes are better than none.
    (1..=want.min(strokes.len())).rev().find_map(|count| {
        (0..=strokes.len() - count)
            .filter(|k| strokes[*k..*k + count].windows(2).all(|w| w[0][1] == w[1][0]))
            .map(|k| (levels[k..k + count].iter().map(|l| (l - middle).abs()).sum::<f64>(), k))
            .min_by(|a, b| a.0.total_cmp(&b.0))
            .map(|(_, k)| [strokes[k][0], strokes[k + count - 1][1], count])
    })
}

fn part(
    input: &HearInput<'_>,
    what: &'static str,
    settings: &HearSettings,
    out_rate_hz: f64,
) -> Result<Part, ReportError> {
    let strokes = strokes_of(input.angle_deg);
    let Some([first, end, count]) = typical_run(&strokes, input.samples, settings.strokes) else {
        return Err(ReportError::TooShort {
            what,
            got: "no whole stroke with a known crank angle".into(),
            want: "at least one".into(),
        });
    };
    let mut samples = filtered(input, [first, end], settings.band_hz, out_rate_hz)?;
    let input_gain = libm::pow(10.0, input.gain_db / 20.0);
    for (k, x) in samples.iter_mut().enumerate() {
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a position within the clip")]
        let at = (first + (k as f64 * input.rate_hz / out_rate_hz).round() as usize).min(end - 1);
        *x *= input_gain * arc_gain(f64::from(input.angle_deg[at]), settings.arc_deg);
    }
    Ok(Part { samples, strokes: count })
}

/// Cuts samples `first..end` out, band-passed without shift and brought to another rate, both in the frequency domain.
fn filtered(
    input: &HearInput<'_>,
    [first, end]: [usize; 2],
    band_hz: [f64; 2],
    out_rate_hz: f64,
) -> Result<Vec<f64>, ReportError> {
    let failed = |e: realfft::FftError| ReportError::Sound { text: e.to_string() };
    // Real sound on both sides, so that the filter does not ring at the cut.
    let pad = samples_in(0.1, input.rate_hz);
    let from = first.saturating_sub(pad);
    let to = (end + pad).min(input.samples.len());
    // Silence behind keeps the end from leaking into the start; an even length has its Nyquist bin.
    let n = (to - from + pad).next_multiple_of(2).max(4);
    let ratio = out_rate_hz / input.rate_hz;
    let m = samples_in(n as f64 * ratio, 1.0).next_multiple_of(2).max(4);
    let mut planner = RealFftPlanner::<f64>::new();
    let (forward, inverse) = (planner.plan_fft_forward(n), planner.plan_fft_inverse(m));
    let mut x = forward.make_input_vec();
    for (out, v) in x.iter_mut().zip(&input.samples[from..to]) {
        *out = if v.is_finite() { f64::from(*v) } else { 0.0 };
    }
    let mut spectrum = forward.make_output_vec();
    forward.process(&mut x, &mut spectrum).map_err(failed)?;
    let mut shaped = inverse.make_input_vec();
    let last = spectrum.len().min(shaped.len()) - 1;
    for (k, (out, v)) in shaped.iter_mut().zip(&spectrum).enumerate().take(last).skip(1) {
        *out = *v * band_gain(k as f64 * input.rate_hz / n as f64, band_hz);
    }
    let mut y = inverse.make_output_vec();
    inverse.process(&mut shaped, &mut y).map_err(failed)?;
    let skip = samples_in((first - from) as f64 * ratio, 1.0);
    let keep = samples_in((end - first) as f64 * ratio, 1.0);
    Ok(y.iter().skip(skip).take(keep).map(|v| v / n as f64).collect())
}

/// Gain of the band filter: 1 in the band, raised-cosine skirts over [`SKIRT_OCTAVES`] outside it.
fn band_gain(freq_hz: f64, [low, high]: [f64; 2]) -> f64 {
    let octaves_out = if freq_hz < low {
        libm::log2(low / freq_hz)
    } else if freq_hz > high {
        libm::log2(freq_hz / high)
    } else {
        0.0
    };
    smooth(1.0 - octaves_out / SKIRT_OCTAVES)
}

/// Gain by crank angle: 1 in the arc, [`DUCK_DB`] outside, a smooth ramp in dB between them.
fn arc_gain(angle_deg: f64, [start, end]: [f64; 2]) -> f64 {
    let span = if (end - start).abs() >= 360.0 { 360.0 } else { (end - start).rem_euclid(360.0) };
    let into = (angle_deg - start).rem_euclid(360.0);
    let outside = if into <= span { 0.0 } else { (into - span).min(360.0 - into) };
    libm::pow(10.0, DUCK_DB / 20.0 * smooth(outside / DUCK_RAMP_DEG))
}

/// Raised cosine from 0 at `x <= 0` to 1 at `x >= 1`.
fn smooth(x: f64) -> f64 {
    0.5 - 0.5 * libm::cos(PI * x.clamp(0.0, 1.0))
}

#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "lengths within a clip")]
fn samples_in(seconds: f64, rate_hz: f64) -> usize {
    (seconds * rate_hz).round().max(0.0) as usize
}

/// Silence, one low beep (healthy) or two high ones (now), silence.
fn announce(out: &mut Vec<f64>, rate_hz: f64, now: bool) {
    let silence = samples_in(SILENCE_S, rate_hz);
    out.extend(std::iter::repeat_n(0.0, silence));
    for _ in 0..if now { 2 } else { 1 } {
        let n = samples_in(BEEP_S, rate_hz);
        let freq_hz = if now { 880.0 } else { 440.0 };
        out.extend((0..n).map(|i| {
            let fade = smooth(i.min(n - 1 - i) as f64 / (0.01 * rate_hz));
            0.08 * fade * libm::sin(2.0 * PI * freq_hz * i as f64 / rate_hz)
        }));
        out.extend(std::iter::repeat_n(0.0, silence / 2));
    }
    out.extend(std::iter::repeat_n(0.0, silence / 2));
}

#[cfg(test)]
#[path = "hear_tests.rs"]
mod tests;
