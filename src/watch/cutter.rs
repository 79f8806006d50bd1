//! Interleaved sound in, one window a pump out; memory bounded by the longest window.

use std::sync::Arc;

use super::Group;

/// Longest window in s: 40 strokes at 20 strokes a minute.
pub const LONGEST_S: f64 = 120.0;
/// Length of a window in s while the speed is not known: 10 strokes, the least for a verdict, at 20 strokes a minute.
const UNKNOWN_S: f64 = 30.0;
/// Added to the strokes asked for in s: the strokes cut at both ends do not count.
const MARGIN_S: f64 = 2.0;
/// Lost frames up to so many seconds are filled with silence, which the clip's own check sees; more and the window begins anew.
const LONGEST_HOLE_S: f64 = 0.5;

/// The sound of one pump's channels over one window.
#[derive(Debug, Clone, PartialEq)]
pub struct Window {
    /// Which pump of the plan.
    pub group: usize,
    /// Its end in ms since 1970 UTC.
    pub end_ms: i64,
    /// Frames a second.
    pub rate_hz: u32,
    /// One a sensor, in the order of the group.
    pub sensors: Vec<Vec<f32>>,
    /// The pulse channel.
    pub pulse: Option<Vec<f32>>,
    /// Frames that the device lost within it.
    pub lost: u64,
}

/// Cuts one pump's windows.
#[derive(Debug)]
pub struct Cutter {
    channels: Vec<usize>,
    kept: Vec<Vec<f32>>,
    rate_hz: u32,
    /// Frames wanted.
    want: usize,
    lost: u64,
    /// Windows thrown away because nobody took them in time.
    pub missed: u64,
    with_pulse: bool,
}

impl Cutter {
    /// For a pump's channels.
    #[must_use]
    pub fn new(group: &Group, rate_hz: u32) -> Self {
        let channels: Vec<usize> = group.sensors.iter().map(|s| s.channel).chain(group.pulse).collect();
        let mut out = Self {
            kept: vec![Vec::new(); channels.len()],
            channels,
            rate_hz,
            want: 0,
            lost: 0,
            missed: 0,
            with_pulse: group.pulse.is_some(),
        };
        out.wish(0, None);
        out
    }

    /// Sets the length of the windows to come: so many strokes at the speed last heard, in strokes a minute.
    pub fn wish(&mut self, strokes: u32, spm: Option<f64>) {
        let s = spm.filter(|s| *s > 0.0).map_or(UNKNOWN_S, |spm| f64::from(strokes) * 60.0 / spm + MARGIN_S);
        self.want = frames(s.min(LONGEST_S), self.rate_hz);
    }

    /// Takes interleaved samples of `channels` channels.
    pub fn push(&mut self, interleaved: &[f32], channels: usize, lost_before: u64) {
        // Nothing is missed before the first sample.
        if lost_before > 0 && !self.is_empty() {
            let hole = usize::try_from(lost_before).unwrap_or(usize::MAX);
            if hole > frames(LONGEST_HOLE_S, self.rate_hz) {
                self.clear();
            } else {
                for kept in &mut self.kept {
                    kept.resize(kept.len() + hole, 0.0);
                }
                self.lost += lost_before;
            }
        }
        for (kept, &c) in self.kept.iter_mut().zip(&self.channels) {
            kept.extend(interleaved.iter().skip(c).step_by(channels));
        }
        // A window that nobody takes must not grow for ever.
        if self.len() > self.want + frames(UNKNOWN_S, self.rate_hz) {
            self.clear();
            self.missed += 1;
        }
    }

    /// Frames held.
    #[must_use]
    pub fn len(&self) -> usize {
        self.kept.first().map_or(0, Vec::len)
    }

    /// Whether nothing is held.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }

    /// Whether a window is complete.
    #[must_use]
    pub fn ready(&self) -> bool {
        self.len() >= self.want
    }

    /// The complete window; the next begins empty, with the same room.
    pub fn take(&mut self, group: usize, end_ms: i64) -> Window {
        let room = self.len();
        let mut sensors: Vec<Vec<f32>> =
            self.kept.iter_mut().map(|k| std::mem::replace(k, Vec::with_capacity(room))).collect();
        let pulse = if self.with_pulse { sensors.pop() } else { None };
        let lost = std::mem::take(&mut self.lost);
        Window { group, end_ms, rate_hz: self.rate_hz, sensors, pulse, lost }
    }

    /// Takes a window back that nobody has room for: the next sound goes behind it.
    pub fn put_back(&mut self, window: Window) {
        self.kept = window.sensors;
        self.kept.extend(window.pulse);
        self.lost += window.lost;
    }

    /// Begins anew.
    pub fn clear(&mut self) {
        self.kept.iter_mut().for_each(Vec::clear);
        self.lost = 0;
    }
}

#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a positive length of minutes")]
fn frames(s: f64, rate_hz: u32) -> usize {
    (s * f64::from(rate_hz)) as usize
}

/// Bytes of the header that [`wav24`] writes.
const HEADER: usize = 44;

/// A WAV file of 24-bit integers in memory, one channel a slice of equal length; the same bytes are analysed and kept.
#[must_use]
pub fn wav24(channels: &[&[f32]], rate_hz: u32) -> Arc<[u8]> {
    let n = channels.first().map_or(0, |c| c.len());
    let frame = 3 * u32::try_from(channels.len()).unwrap_or(u32::MAX);
    let data = u32::try_from(n).unwrap_or(u32::MAX).saturating_mul(frame);
    let mut out = Vec::with_capacity(HEADER + data as usize);
    let word = |x: u32| x.to_le_bytes();
    out.extend_from_slice(b"RIFF");
    out.extend_from_slice(&word(data.saturating_add(36)));
    out.extend_from_slice(b"WAVEfmt ");
    out.extend_from_slice(&word(16));
    out.extend_from_slice(&1_u16.to_le_bytes());
    out.extend_from_slice(&u16::try_from(channels.len()).unwrap_or(u16::MAX).to_le_bytes());
    out.extend_from_slice(&word(rate_hz));
    out.extend_from_slice(&word(rate_hz.saturating_mul(frame)));
    out.extend_from_slice(&u16::try_from(frame).unwrap_or(u16::MAX).to_le_bytes());
    out.extend_from_slice(&24_u16.to_le_bytes());
    out.extend_from_slice(b"data");
    out.extend_from_slice(&word(data));
    for i in 0..n {
        for c in channels {
            let x = c.get(i).copied().filter(|x| x.is_finite()).unwrap_or(0.0);
            #[expect(clippy::cast_possible_truncation, reason = "within 24 bits by the clamp")]
            let x = (f64::from(x) * 8_388_608.0).round().clamp(-8_388_608.0, 8_388_607.0) as i32;
            out.extend_from_slice(&x.to_le_bytes()[..3]);
        }
    }
    Arc::from(out)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::clip::{ReadSettings, read_bytes};

    fn cutter(channels: &[usize], rate_hz: u32) -> Cutter {
        let mut c = Cutter {
            channels: channels.to_vec(),
            kept: vec![Vec::new(); channels.len()],
            rate_hz,
            want: 0,
            lost: 0,
            missed: 0,
            with_pulse: false,
        };
        c.wish(0, None);
        c
    }

    #[test]
    fn a_window_has_the_strokes_asked_for_and_its_own_channels() {
        let mut c = cutter(&[2, 0], 100);
        c.wish(40, Some(60.0));
        let sound: Vec<f32> = (0..3 * 4200).map(|i| i as f32).collect();
        let mut at = 0;
        while !c.ready() {
            c.push(&sound[at..at + 30], 3, 0);
            at += 30;
        }
        assert_eq!(at / 3, 4200, "40 s and a margin of 2 s");
        let w = c.take(5, 77);
        assert_eq!((w.group, w.end_ms, w.sensors.len(), w.lost), (5, 77, 2, 0));
        assert!(w.sensors[0].iter().enumerate().all(|(i, x)| (x - (3 * i + 2) as f32).abs() < 0.1));
        assert!(w.sensors[1].iter().enumerate().all(|(i, x)| (x - (3 * i) as f32).abs() < 0.1));
        assert!(c.is_empty());
    }

    #[test]
    fn memory_is_bounded_whatever_the_pump_does() {
        let mut c = cutter(&[0], 100);
        for spm in [Some(0.5), None, Some(1e9), Some(f64::NAN)] {
            c.wish(1000, spm);
            for _ in 0..10_000 {
                c.push(&[0.5; 10], 1, 0);
                assert!(c.len() <= 100 * 151, "{spm:?}: {}", c.len());
            }
        }
        assert!(c.missed > 0);
    }

    #[test]
    fn short_holes_keep_the_clock_and_long_ones_begin_anew() {
        let mut c = cutter(&[0], 100);
        c.push(&[1.0; 10], 1, 40);
        assert_eq!(c.len(), 10, "nothing is missed before the first sample");
        c.push(&[1.0; 10], 1, 20);
        assert_eq!((c.len(), c.lost), (40, 20));
        c.push(&[1.0; 10], 1, 51);
        assert_eq!((c.len(), c.lost), (10, 0));
    }

    #[test]
    fn the_file_in_memory_is_read_back_to_the_last_bit_of_24() {
        let a: Vec<f32> = (0..48_000).map(|i| (i as f32 * 0.1).sin() * 0.7).collect();
        let b: Vec<f32> = (0..48_000).map(|i| if i % 9600 < 100 { 0.9 } else { 0.0 }).collect();
        let bytes = wav24(&[&a, &b], 16_000);
        assert_eq!(bytes.len(), 44 + 48_000 * 6);
        let settings = ReadSettings { pulse: Some(2), ..ReadSettings::default() };
        let clip = read_bytes("w.wav", bytes, &settings).unwrap();
        assert_eq!((clip.sample_rate_hz, clip.bits, clip.channels), (16_000.0, Some(24), 2));
        assert!(clip.samples.iter().zip(&a).all(|(x, y)| (x - y).abs() <= 0.5001 / 8_388_608.0));
        assert_eq!(clip.pulse.unwrap().len(), b.len());
        // Beyond full scale and not a number.
        let wild = wav24(&[&[2.0, -2.0, f32::NAN, f32::INFINITY]], 8000);
        assert_eq!(&wild[44..], [0xff, 0xff, 0x7f, 0, 0, 0x80, 0, 0, 0, 0, 0, 0]);
    }
}
