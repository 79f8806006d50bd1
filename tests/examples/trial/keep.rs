//! Keeps analysed clips on disk, so that a change of the scoring is tried in seconds.

use std::fs;
use std::io::{Read, Write};
use std::path::Path;

use seatsong::inside::clip::{Code, Effect, Finding};
use seatsong::inside::map::{Analysis, FoldedMap, Take};
use seatsong::inside::score::Item;
use seatsong::inside::stroke::Mark;

fn put(out: &mut Vec<u8>, x: f64) {
    out.extend(x.to_le_bytes());
}

fn put_all(out: &mut Vec<u8>, x: &[f32]) {
    put(out, x.len() as f64);
    for v in x {
        out.extend(v.to_le_bytes());
    }
}

fn put_text(out: &mut Vec<u8>, text: &str) {
    put(out, text.len() as f64);
    out.extend(text.as_bytes());
}

/// Kinds of finding that a clip may carry before it is compared.
const CODES: [Code; 15] = [
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
    Code::NarrowBand,
    Code::SecondRhythm,
    Code::AngleUnsure,
];

/// Writes items and the true speed of each; findings of a kind not in [`CODES`] are left out.
pub(crate) fn write(path: &Path, items: &[Item], truth_spm: &[f64]) -> std::io::Result<()> {
    let mut out = Vec::new();
    put(&mut out, items.len() as f64);
    for (item, &truth) in items.iter().zip(truth_spm) {
        put(&mut out, truth);
        put_text(&mut out, &item.file);
        put(&mut out, item.module.map_or(f64::NAN, f64::from));
        put_text(&mut out, item.round.as_deref().unwrap_or_default());
        put(&mut out, item.console_spm.unwrap_or(f64::NAN));
        put(&mut out, item.pressure.unwrap_or(f64::NAN));
        let a = &item.analysis;
        for v in [a.level_db, a.sample_rate_hz, a.first_centre_s, a.takes.len() as f64] {
            put(&mut out, v);
        }
        let findings: Vec<&Finding> = a.findings.iter().filter(|f| CODES.contains(&f.code)).collect();
        put(&mut out, findings.len() as f64);
        for f in findings {
            put_text(&mut out, f.code.as_str());
            put(&mut out, if f.effect == Effect::Refuse { 1.0 } else { 0.0 });
            put_text(&mut out, &f.text);
        }
        for t in &a.takes {
            for v in [
                t.spm,
                f64::from(t.strokes),
                t.lock,
                t.strength,
                t.zero_turns().unwrap_or(f64::NAN),
                t.second_spm.unwrap_or(f64::NAN),
                t.map.n_usable as f64,
            ] {
                put(&mut out, v);
            }
            put_all(&mut out, &t.map.power);
            put_all(&mut out, &t.map.spread_db);
            put_all(&mut out, &t.map.swings);
        }
    }
    fs::File::create(path)?.write_all(&out)
}

struct Reader<'a>(&'a [u8]);

impl Reader<'_> {
    fn get(&mut self) -> f64 {
        let (head, rest) = self.0.split_at(8);
        self.0 = rest;
        f64::from_le_bytes(head.try_into().unwrap())
    }
    fn some(&mut self) -> Option<f64> {
        Some(self.get()).filter(|v| v.is_finite())
    }
    fn text(&mut self) -> String {
        let n = self.get() as usize;
        let (head, rest) = self.0.split_at(n);
        self.0 = rest;
        String::from_utf8_lossy(head).into_owned()
    }
    fn all(&mut self) -> Vec<f32> {
        let n = self.get() as usize;
        let (head, rest) = self.0.split_at(4 * n);
        self.0 = rest;
        head.chunks_exact(4).map(|c| f32::from_le_bytes(c.try_into().unwrap())).collect()
    }
}

/// Reads what [`write`] wrote.
pub(crate) fn read(path: &Path) -> std::io::Result<(Vec<Item>, Vec<f64>)> {
    let mut bytes = Vec::new();
    fs::File::open(path)?.read_to_end(&mut bytes)?;
    let mut r = Reader(&bytes);
    let n = r.get() as usize;
    Ok((0..n)
        .map(|_| {
            let truth = r.get();
            let file = r.text();
            let module = r.some().map(|m| m as u32);
            let round = Some(r.text()).filter(|t| !t.is_empty());
            let (console_spm, pressure) = (r.some(), r.some());
            let (level_db, sample_rate_hz, first_centre_s) = (r.get(), r.get(), r.get());
            let n_takes = r.get() as usize;
            let n_findings = r.get() as usize;
            let findings = (0..n_findings)
                .filter_map(|_| {
                    let (name, refuses, text) = (r.text(), r.get() > 0.5, r.text());
                    let code = CODES.into_iter().find(|c| c.as_str() == name)?;
                    Some(if refuses { Finding::refuse(code, text) } else { Finding::warn(code, text) })
                })
                .collect();
            let takes = (0..n_takes)
                .map(|_| Take {
                    spm: r.get(),
                    strokes: r.get() as u32,
                    lock: r.get(),
                    strength: r.get(),
                    mark: r.some().map(Mark::pulse),
                    second_spm: r.some(),
                    map: {
                        let n_usable = r.get() as usize;
                        FoldedMap { power: r.all(), spread_db: r.all(), n_usable, swings: r.all() }
                    },
                    phase: None,
                })
                .collect();
            let analysis = Analysis { takes, level_db, sample_rate_hz, first_centre_s, findings };
            (Item { file, module, round, console_spm, pressure, analysis }, truth)
        })
        .unzip())
}
