#![allow(clippy::print_stdout, clippy::unwrap_used)]
#[path = "trial/keep.rs"]
mod keep;
use seatsong::score::{PumpShape, compare, cleaned};
fn main() {
    let p = std::env::args().nth(1).unwrap();
    let goods = keep::read(std::path::Path::new(&format!("{p}.good"))).unwrap();
    let nows = keep::read(std::path::Path::new(&format!("{p}.now"))).unwrap();
    let c = compare(&goods, &nows, &PumpShape { order: seatsong::sample::RoomSettings::drawn(std::env::args().nth(2).unwrap().parse().unwrap()).order });
    for s in &c.spots {
        println!("module {:?} covariates {:?} inverse {:?}", s.module, s.model.covariates, s.model.inverse);
        for b in (0..32).step_by(3) {
            let mut v: Vec<f64> = s.model.variance[b * 72..(b + 1) * 72].iter().map(|v| v.sqrt()).collect();
            let q = &s.model.quiet[b * 72..(b + 1) * 72];
            println!("band {b} offset sd {:.2} floor sd {:.2} quiet mean {:.2} min {:.3}", s.model.offset_var[b].sqrt(), s.model.floor_var[b].sqrt(), q.iter().sum::<f64>() / 72.0, q.iter().fold(1.0_f64, |a, b| a.min(*b)));
            println!("    mean {}", s.model.mean[b*72..(b+1)*72].iter().step_by(2).map(|v| format!("{v:.0}")).collect::<Vec<_>>().join(" "));
            println!("    sd   {}", v.iter().step_by(2).map(|v| format!("{v:.2}")).collect::<Vec<_>>().join(" "));
            v.sort_by(f64::total_cmp);
        }
    }
    for s in &c.spots {
        let mut out = Vec::new();
        for r in &s.model.residuals { for v in cleaned(&s.model, r) { out.extend((v as f32).to_le_bytes()); } }
        for v in &s.model.variance { out.extend((*v as f32).to_le_bytes()); }
        for v in &s.model.mean { out.extend((*v as f32).to_le_bytes()); }
        for v in &s.model.quiet { out.extend((*v as f32).to_le_bytes()); }
        std::fs::write(format!("/tmp/res-{}.f32", s.module.unwrap()), out).unwrap();
    }
    for s in &c.spots {
        for fam in [0, 1] {
            let f = &s.scorer.bank.families[fam];
            let mut v: Vec<f64> = (0..f.len()).map(|t| s.scorer.scale(fam, t)).collect();
            v.sort_by(f64::total_cmp);
            println!("SCALE module {:?} fam {fam} min {:.2} median {:.2} max {:.2} | healthy best mean {:.2} {}", s.module, v[0], v[v.len() / 2], v[v.len() - 1], s.scorer.healthy.iter().map(|h| h[fam].score).sum::<f64>() / 8.0, s.scorer.healthy.iter().map(|h| format!("{:.1}", h[fam].score)).collect::<Vec<_>>().join(" "));
        }
    }
    for (n, j) in nows.iter().zip(&c.judged) {
        let Some(j) = j else { continue };
        let s = &c.spots[j.spot];
        let fam = s.scorer.bank.families.get(j.combined.family);
        let d = match fam { Some(f) => { let (arc, sp) = f.filter(j.best[j.combined.family].filter); format!("{:?} arc {}+{} bands {}-{}", f.pattern, arc.0*5, arc.1*5, sp.lo, sp.hi) } None => "omnibus".into() };
        let r = cleaned(&s.model, &j.residual);
        let half = |lo: usize| (20..30).map(|b| r[b*72+lo..b*72+lo+36].iter().sum::<f64>()).sum::<f64>() / 360.0;
        println!("{} m{:?} {:.2} {} | halves {:.3} {:.3} scores {}", n.file, n.module.unwrap(), j.combined.departure, d, half(0), half(36), j.best.iter().map(|b| format!("{:.1}", b.score)).collect::<Vec<_>>().join(" "));
    }
}
