//! What one clip gave, as a few kilobytes: level steps of 0.02 dB, so that a verdict from the book is the verdict from the file.
//!
//! Levels of a band differ little from one angle to the next, so the steps from angle to angle are written as variable-length numbers
//! (small magnitudes in one byte, seven bits a byte, sign in the lowest bit). The spread over strokes, which no verdict uses, keeps a quarter dB.

use crate::clip::{Code, Effect, Finding};
use crate::dsp::bands::N_BAND;
use crate::map::{Analysis, FoldedMap, N_FINE, N_SWING, SWING_CELLS, Take};
use crate::stroke::{Mark, MarkKind};

/// Form of these bytes.
const FORM: u8 = 2;
/// Step of a level in dB: far below the scatter of a cell from run to run (about 1 dB).
const LEVEL_STEP_DB: f32 = 0.02;
/// Step of a spread in dB.
const SPREAD_STEP_DB: f32 = 0.25;
/// What stands before a crank zero that taps gave; 1 stands before one from pulses, 0 where there is none.
const TAPS: u8 = 2;
/// A power that stands for nothing, -240 dB.
const TINY: f32 = 1e-24;
/// Findings that there are.
const CODES: [Code; 21] = [
    Code::Clipped,
    Code::Silent,
    Code::Dropouts,
    Code::TooShort,
    Code::GainRiding,
    Code::Rumble,
    Code::NoRhythm,
    Code::RateJump,
    Code::WrongChannel,
    Code::CutOff,
    Code::NotFinite,
    Code::PartUsed,
    Code::WrongExtension,
    Code::TimeJitter,
    Code::NarrowBand,
    Code::OutsideSpan,
    Code::FewGood,
    Code::RateMismatch,
    Code::SecondRhythm,
    Code::OddGood,
    Code::AngleUnsure,
];

/// Why bytes are no analysis. Nothing is lost: it is made again from the clip.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum BlobError {
    /// They end too early.
    #[error("the stored stroke map is cut short")]
    CutShort,
    /// Written by another version, or spoilt.
    #[error("the stored stroke map has {what} that this program does not know")]
    Strange {
        /// What.
        what: &'static str,
    },
}

fn put_number(out: &mut Vec<u8>, mut n: u32) {
    while n >= 0x80 {
        out.push((n & 0x7f) as u8 | 0x80);
        n >>= 7;
    }
    #[expect(clippy::cast_possible_truncation, reason = "below 0x80")]
    out.push(n as u8);
}

#[expect(clippy::cast_sign_loss, reason = "the sign goes to the lowest bit")]
fn put_signed(out: &mut Vec<u8>, n: i32) {
    put_number(out, ((n << 1) ^ (n >> 31)) as u32);
}

fn put_f64(out: &mut Vec<u8>, x: f64) {
    out.extend(x.to_le_bytes());
}

fn put_maybe(out: &mut Vec<u8>, x: Option<f64>) {
    out.push(u8::from(x.is_some()));
    if let Some(x) = x {
        put_f64(out, x);
    }
}

/// A mark as [`put_maybe`] writes its zero, with another flag for taps.
fn put_mark(out: &mut Vec<u8>, mark: Option<Mark>) {
    let at = out.len();
    put_maybe(out, mark.map(|m| m.zero_turns));
    if mark.is_some_and(|m| m.kind == MarkKind::Taps) {
        out[at] = TAPS;
    }
}

fn put_text(out: &mut Vec<u8>, text: &str) {
    put_number(out, u32::try_from(text.len()).unwrap_or(0));
    out.extend(text.bytes().take(u32::MAX as usize));
}

/// Writes what one clip gave. Phases are left out.
#[must_use]
pub fn encode(analysis: &Analysis) -> Vec<u8> {
    let mut out = vec![FORM];
    for x in [analysis.level_db, analysis.sample_rate_hz, analysis.first_centre_s] {
        put_f64(&mut out, x);
    }
    put_number(&mut out, u32::try_from(analysis.findings.len()).unwrap_or(0));
    for f in &analysis.findings {
        put_text(&mut out, f.code.as_str());
        out.push(u8::from(f.effect == Effect::Refuse));
        put_text(&mut out, &f.text);
    }
    put_number(&mut out, u32::try_from(analysis.takes.len()).unwrap_or(0));
    for t in &analysis.takes {
        for x in [t.spm, t.lock, t.strength] {
            put_f64(&mut out, x);
        }
        put_number(&mut out, t.strokes);
        put_mark(&mut out, t.mark);
        put_maybe(&mut out, t.second_spm);
        put_map(&mut out, &t.map);
    }
    out
}

#[expect(clippy::cast_possible_truncation, reason = "levels of -240 to 400 dB in steps of 0.02 dB")]
fn put_map(out: &mut Vec<u8>, map: &FoldedMap) {
    put_number(out, u32::try_from(map.n_usable.min(N_BAND)).unwrap_or(0));
    for band in 0..N_BAND {
        let mut last = 0;
        for k in 0..N_FINE {
            let power = map.power[k * N_BAND + band];
            let level = 10.0 * power.max(TINY).log10();
            let step = if level.is_finite() { (level / LEVEL_STEP_DB).round() as i32 } else { 0 };
            put_signed(out, step - last);
            last = step;
        }
    }
    for band in 0..N_BAND {
        let mut last = 0;
        for k in 0..N_FINE {
            let spread = map.spread_db[k * N_BAND + band];
            let step = if spread.is_finite() { (spread / SPREAD_STEP_DB).round().clamp(0.0, 1e6) as i32 } else { 0 };
            put_signed(out, step - last);
            last = step;
        }
    }
    let swings = map.swings.len() / SWING_CELLS;
    put_number(out, u32::try_from(swings).unwrap_or(0));
    for swing in map.swings.chunks_exact(SWING_CELLS) {
        let mut last = 0;
        for x in swing {
            let step = if x.is_finite() { (x / LEVEL_STEP_DB).round().clamp(-1e6, 1e6) as i32 } else { 0 };
            put_signed(out, step - last);
            last = step;
        }
    }
}

struct Reader<'a>(&'a [u8]);

impl Reader<'_> {
    fn bytes(&mut self, n: usize) -> Result<&[u8], BlobError> {
        let (head, rest) = self.0.split_at_checked(n).ok_or(BlobError::CutShort)?;
        self.0 = rest;
        Ok(head)
    }

    fn byte(&mut self) -> Result<u8, BlobError> {
        self.bytes(1).map(|b| b[0])
    }

    fn f64(&mut self) -> Result<f64, BlobError> {
        let mut x = [0; 8];
        x.copy_from_slice(self.bytes(8)?);
        Ok(f64::from_le_bytes(x))
    }

    fn number(&mut self) -> Result<u32, BlobError> {
        let mut n = 0_u32;
        for shift in [0, 7, 14, 21, 28] {
            let b = self.byte()?;
            n |= u32::from(b & 0x7f) << shift;
            if b < 0x80 {
                return Ok(n);
            }
        }
        Err(BlobError::Strange { what: "a number" })
    }

    #[expect(clippy::cast_possible_wrap, reason = "the lowest bit is the sign")]
    fn signed(&mut self) -> Result<i32, BlobError> {
        let n = self.number()?;
        Ok((n >> 1) as i32 ^ -((n & 1) as i32))
    }

    fn maybe(&mut self) -> Result<Option<f64>, BlobError> {
        if self.byte()? == 0 { Ok(None) } else { self.f64().map(Some) }
    }

    fn mark(&mut self) -> Result<Option<Mark>, BlobError> {
        let kind = if self.0.first() == Some(&TAPS) { MarkKind::Taps } else { MarkKind::Pulse };
        Ok(self.maybe()?.map(|zero_turns| Mark { zero_turns, kind }))
    }

    fn text(&mut self) -> Result<String, BlobError> {
        let n = self.number()? as usize;
        String::from_utf8(self.bytes(n)?.to_vec()).map_err(|_| BlobError::Strange { what: "a text" })
    }

    /// Steps of all bands as values, shape `(N_FINE, N_BAND)`.
    fn cells(&mut self, value: impl Fn(i32) -> f32) -> Result<Vec<f32>, BlobError> {
        let mut out = vec![0.0; N_FINE * N_BAND];
        for band in 0..N_BAND {
            let mut last = 0_i32;
            for k in 0..N_FINE {
                last = last.wrapping_add(self.signed()?);
                out[k * N_BAND + band] = value(last);
            }
        }
        Ok(out)
    }

    fn swings(&mut self) -> Result<Vec<f32>, BlobError> {
        let n = self.number()? as usize;
        if n > N_SWING {
            return Err(BlobError::Strange { what: "a number of swings" });
        }
        let mut out = Vec::with_capacity(n * SWING_CELLS);
        for _ in 0..n {
            let mut last = 0_i32;
            for _ in 0..SWING_CELLS {
                last = last.wrapping_add(self.signed()?);
                #[expect(clippy::cast_precision_loss, reason = "a few hundred steps")]
                out.push(last as f32 * LEVEL_STEP_DB);
            }
        }
        Ok(out)
    }

    fn map(&mut self) -> Result<FoldedMap, BlobError> {
        let n_usable = self.number()? as usize;
        if n_usable > N_BAND {
            return Err(BlobError::Strange { what: "a number of bands" });
        }
        #[expect(clippy::cast_precision_loss, reason = "a few ten thousand steps")]
        let power = self.cells(|s| 10.0_f32.powf((s as f32 * LEVEL_STEP_DB).min(380.0) / 10.0))?;
        #[expect(clippy::cast_precision_loss, reason = "a few hundred steps")]
        let spread_db = self.cells(|s| s as f32 * SPREAD_STEP_DB)?;
        let swings = self.swings()?;
        Ok(FoldedMap { power, spread_db, n_usable, swings })
    }
}

/// Reads what [`encode`] wrote.
///
/// # Errors
/// [`BlobError`] if these are no such bytes.
pub fn decode(bytes: &[u8]) -> Result<Analysis, BlobError> {
    let mut r = Reader(bytes);
    if r.byte()? != FORM {
        return Err(BlobError::Strange { what: "a form" });
    }
    let (level_db, sample_rate_hz, first_centre_s) = (r.f64()?, r.f64()?, r.f64()?);
    let mut findings = Vec::new();
    for _ in 0..r.number()? {
        let name = r.text()?;
        let code =
            CODES.iter().find(|c| c.as_str() == name).copied().ok_or(BlobError::Strange { what: "a finding" })?;
        let effect = if r.byte()? == 0 { Effect::Warn } else { Effect::Refuse };
        findings.push(Finding { code, effect, text: r.text()? });
    }
    let mut takes = Vec::new();
    for _ in 0..r.number()? {
        let (spm, lock, strength) = (r.f64()?, r.f64()?, r.f64()?);
        let strokes = r.number()?;
        let (mark, second_spm) = (r.mark()?, r.maybe()?);
        takes.push(Take { spm, strokes, lock, strength, mark, map: r.map()?, second_spm, phase: None });
    }
    if !r.0.is_empty() {
        return Err(BlobError::Strange { what: "bytes at the end" });
    }
    Ok(Analysis { takes, level_db, sample_rate_hz, first_centre_s, findings })
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn made_up(n_usable: usize, mark: Option<Mark>, tilt: f32) -> Analysis {
        let power = (0..N_FINE * N_BAND)
            .map(|i| {
                let (k, b) = (i / N_BAND, i % N_BAND);
                if b >= n_usable { 0.0 } else { 10.0_f32.powf(-6.0 + tilt * (k as f32 * 0.37).sin() - b as f32 * 0.11) }
            })
            .collect();
        let spread_db = (0..N_FINE * N_BAND).map(|i| (i % 23) as f32 * 0.25).collect();
        let swings = (0..2 * SWING_CELLS).map(|i| 0.02 * (i % 91) as f32 - 0.6).collect();
        let map = FoldedMap { power, spread_db, n_usable, swings };
        let take = Take {
            spm: 71.93,
            strokes: 35,
            lock: 0.93,
            strength: 1.7,
            mark,
            map,
            second_spm: None,
            phase: Some(vec![0.0, 0.1]),
        };
        Analysis {
            takes: vec![take],
            level_db: -31.25,
            sample_rate_hz: 44_100.0,
            first_centre_s: 0.0053,
            findings: vec![Finding::warn(Code::Rumble, "wind – shield it"), Finding::refuse(Code::NoRhythm, "")],
        }
    }

    fn level(p: f32) -> f32 {
        10.0 * p.max(TINY).log10()
    }

    #[test]
    fn a_map_comes_back_within_a_hundredth_of_a_decibel() {
        let a = made_up(28, Some(Mark::pulse(0.123)), 0.8);
        let bytes = encode(&a);
        let b = decode(&bytes).unwrap();
        assert!(bytes.len() < 14_000, "{} bytes", bytes.len());
        assert_eq!(
            (b.level_db.to_bits(), b.sample_rate_hz.to_bits()),
            (a.level_db.to_bits(), a.sample_rate_hz.to_bits())
        );
        assert_eq!(b.findings, a.findings);
        let (x, y) = (&a.takes[0], &b.takes[0]);
        assert_eq!((x.spm.to_bits(), x.strokes, x.mark, &y.phase), (y.spm.to_bits(), y.strokes, y.mark, &None));
        assert_eq!((x.map.n_usable, &x.map.spread_db), (y.map.n_usable, &y.map.spread_db));
        assert_eq!(x.map.swings.len(), y.map.swings.len());
        assert!(x.map.swings.iter().zip(&y.map.swings).all(|(a, b)| (a - b).abs() <= 0.0101));
        for (p, q) in x.map.power.iter().zip(&y.map.power) {
            assert!((level(*p) - level(*q)).abs() <= 0.0101, "{p} {q}");
        }
    }

    #[test]
    fn a_mark_comes_back_with_its_kind() {
        for mark in [None, Some(Mark::pulse(0.25)), Some(Mark::taps(0.25))] {
            assert_eq!(decode(&encode(&made_up(32, mark, 0.5))).unwrap().takes[0].mark, mark);
        }
    }

    #[test]
    fn reading_and_writing_again_changes_nothing() {
        let bytes = encode(&made_up(32, None, 1.1));
        assert_eq!(encode(&decode(&bytes).unwrap()), bytes);
    }

    #[test]
    fn every_finding_has_its_name_in_the_list() {
        let mut names: Vec<&str> = CODES.iter().map(|c| c.as_str()).collect();
        names.sort_unstable();
        names.dedup();
        assert_eq!(names.len(), CODES.len());
    }

    #[test]
    fn bytes_cut_short_are_noticed() {
        let bytes = encode(&made_up(32, Some(Mark::taps(0.5)), 0.5));
        for n in (0..bytes.len()).step_by(97) {
            assert!(decode(&bytes[..n]).is_err(), "{n}");
        }
        let mut more = bytes.clone();
        more.push(0);
        assert!(decode(&more).is_err());
    }

    proptest! {
        #[test]
        fn no_bytes_panic(bytes in proptest::collection::vec(any::<u8>(), 0..400), form: bool) {
            let mut bytes = bytes;
            if form && let Some(first) = bytes.first_mut() {
                *first = FORM;
            }
            let _ = decode(&bytes);
        }

        #[test]
        fn numbers_come_back(n: i32) {
            let mut out = Vec::new();
            put_signed(&mut out, n);
            prop_assert_eq!(Reader(&out).signed().unwrap(), n);
        }
    }
}
