//! Time of one 30 s clip at 48 kHz, step by step, beside the bare real FFTs of the same frames.
//!
//! `cargo bench --bench clip`; the promised ratios are printed by `cargo bench --bench cost`.

mod common;

use std::hint::black_box;

use criterion::Criterion;
use seatsong::inside::dsp::frames::FramePlan;
use seatsong::inside::map::{AnalyseSettings, analyse};
use seatsong::inside::sample::Condition;

fn main() {
    let mut criterion = Criterion::default().configure_from_args().sample_size(20);
    let (calm, neighbour) = (common::clip(Condition::Calm), common::clip(Condition::Neighbour));
    let plan = FramePlan::shared(calm.sample_rate_hz);
    let settings = AnalyseSettings::default();
    let mut floor = common::Floor::new(&plan, calm.samples.len());
    let mut group = criterion.benchmark_group("30 s at 48 kHz");
    group.bench_function("bare FFTs", |b| b.iter(|| floor.run(black_box(&calm.samples), plan.frame_len())));
    group.bench_function("band levels", |b| b.iter(|| plan.band_frames(black_box(&calm.samples))));
    group.bench_function("stroke map", |b| b.iter(|| analyse(black_box(&calm), &settings)));
    group.bench_function("second rhythm out", |b| b.iter(|| analyse(black_box(&neighbour), &settings)));
    group.finish();
    criterion.final_summary();
}
