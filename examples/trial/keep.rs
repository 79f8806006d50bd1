//! Keeps analysed clips on disk, so that a change of the scoring is tried in seconds.

use std::fs;
use std::io::{Read, Write};
use std::path::Path;

use seatsong::map::{Analysis, FoldedMap, Take};
use seatsong::score::Item;

fn put(out: &mut Vec<u8>, x: f64) {
    out.extend(x.to_le_bytes());
}

fn put_all(out: &mut Vec<u8>, x: &[f32]) {
    put(out, x.len() as f64);
    for v in x {
        out.extend(v.to_le_bytes());
    }
}

/// Writes items; findings are left out.
pub fn write(path: &Path, items: &[Item]) -> std::io::Result<()> {
    let mut out = Vec::new();
    put(&mut out, items.len() as f64);
    for item in items {
        put(&mut out, item.file.len() as f64);
        out.extend(item.file.as_bytes());
        put(&mut out, item.module.map_or(f64::NAN, f64::from));
        let round = item.round.clone().unwrap_or_default();
        put(&mut out, round.len() as f64);
        out.extend(round.as_bytes());
        put(&mut out, item.console_spm.unwrap_or(f64::NAN));
        put(&mut out, item.pressure.unwrap_or(f64::NAN));
        let a = &item.analysis;
        for v in [a.level_db, a.sample_rate_hz, a.first_centre_s, a.takes.len() as f64] {
            put(&mut out, v);
        }
        for t in &a.takes {
            for v in [
                t.spm,
                f64::from(t.strokes),
                t.lock,
                t.strength,
                t.zero_turns.unwrap_or(f64::NAN),
                t.second_spm.unwrap_or(f64::NAN),
                t.map.n_usable as f64,
            ] {
                put(&mut out, v);
            }
            put_all(&mut out, &t.map.power);
            put_all(&mut out, &t.map.spread_db);
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
pub fn read(path: &Path) -> std::io::Result<Vec<Item>> {
    let mut bytes = Vec::new();
    fs::File::open(path)?.read_to_end(&mut bytes)?;
    let mut r = Reader(&bytes);
    let n = r.get() as usize;
    Ok((0..n)
        .map(|_| {
            let file = r.text();
            let module = r.some().map(|m| m as u32);
            let round = Some(r.text()).filter(|t| !t.is_empty());
            let (console_spm, pressure) = (r.some(), r.some());
            let (level_db, sample_rate_hz, first_centre_s) = (r.get(), r.get(), r.get());
            let n_takes = r.get() as usize;
            let takes = (0..n_takes)
                .map(|_| Take {
                    spm: r.get(),
                    strokes: r.get() as u32,
                    lock: r.get(),
                    strength: r.get(),
                    zero_turns: r.some(),
                    second_spm: r.some(),
                    map: {
                        let n_usable = r.get() as usize;
                        FoldedMap { power: r.all(), spread_db: r.all(), n_usable }
                    },
                    phase: None,
                })
                .collect();
            let analysis = Analysis { takes, level_db, sample_rate_hz, first_centre_s, findings: Vec::new() };
            Item { file, module, round, console_spm, pressure, analysis }
        })
        .collect())
}
