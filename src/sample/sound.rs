//! Voices and a crank track in, the dry sound of each module out.

use super::noise::{Draw, Slow, Source, db_to_amp, mean_square, to_index};
use super::spec::{ClipSpec, Fault};
use super::track::Track;
use super::voice::{Burst, FLOW_POINTS, FlowVoice, JetVoice, PumpVoice, ToneVoice, VOICE_RATE_HZ, ValveEvent};
use crate::dsp::biquad::Biquad;

use std::f64::consts::TAU;

/// Scatter of a single resonance from strike to strike, in dB.
const MODE_SCATTER_DB: f64 = 1.2;

/// The operating point and the seeds of one pump in one clip.
#[derive(Debug, Clone, Copy)]
pub(super) struct Running {
    pub(super) spm: f64,
    pub(super) pressure: f64,
    pub(super) seed: u64,
    pub(super) day_seed: u64,
    pub(super) event_jitter_db: f64,
    pub(super) event_jitter_deg: f64,
    pub(super) flow_source: Source,
    pub(super) event_source: Source,
}

impl Running {
    pub(super) fn of(spec: &ClipSpec) -> Self {
        Self {
            spm: spec.spm,
            pressure: spec.pressure,
            seed: spec.seed,
            day_seed: spec.day_seed,
            event_jitter_db: spec.event_jitter_db,
            event_jitter_deg: spec.event_jitter_deg,
            flow_source: Source::FlowNoise,
            event_source: Source::Event,
        }
    }
}

/// How a fault changes the valve events of one module.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct EventChange {
    pub(super) deg: [f64; 4],
    pub(super) db: [f64; 4],
    pub(super) missing: [bool; 4],
}

impl EventChange {
    /// What `fault` does to the events; `voice` is the stream of the fault's own properties.
    pub(super) fn of(fault: Option<Fault>, voice: &mut Draw) -> Self {
        let mut change = Self::default();
        match fault {
            Some(Fault::LateClosing { deg, harder_db }) => {
                let closing = if voice.unit() < 0.5 { ValveEvent::SuctionCloses } else { ValveEvent::DischargeCloses };
                let k = closing.index();
                change.deg[k] = deg;
                change.db[k] = harder_db;
                // The chamber changes its pressure only when the late valve is shut.
                change.deg[k + 1] = 0.7 * deg;
            }
            Some(Fault::MissingEvent { which }) => change.missing[which.index()] = true,
            _ => {}
        }
        change
    }
}

/// The dry sound of each module: flow noise and valve events.
pub(super) fn modules(
    pump: &PumpVoice,
    track: &Track,
    run: &Running,
    change: Option<(usize, EventChange)>,
) -> Vec<Vec<f64>> {
    let mut out = vec![vec![0.0; track.n_samples]; pump.modules.len()];
    for (k, buf) in out.iter_mut().enumerate() {
        for half in 0..2 {
            add_flow(buf, &pump.modules[k].flows[half], pump, track, run, k, half);
        }
        let own = change.filter(|(m, _)| *m == k).map(|(_, c)| c).unwrap_or_default();
        add_events(buf, pump, track, run, k, &own);
    }
    out
}

fn add_flow(buf: &mut [f64], flow: &FlowVoice, pump: &PumpVoice, track: &Track, run: &Running, k: usize, half: usize) {
    let mut d = Draw::new(run.seed, run.flow_source, 2 * k + half);
    let rate = track.sample_rate_hz;
    let (mut low, mut peaks) = flow.filters(rate);
    let gains: Vec<f64> = flow.peaks.iter().map(|p| p.2).collect();
    let level = libm::pow(run.spm / pump.nominal_spm, flow.speed_power)
        * libm::pow(run.pressure, flow.pressure_power)
        * flow.scale
        * (rate / VOICE_RATE_HZ).sqrt();
    let mut unrest = Slow::new(&mut d, 0.4, track.block_len as f64 / rate);
    let depth = flow.unrest_db * std::f64::consts::LN_10 / 20.0;
    let amp_at = |turn: f64| {
        let x = (turn - pump.behind[k]).rem_euclid(1.0) * FLOW_POINTS as f64;
        let i = to_index(x).min(FLOW_POINTS - 1);
        let (a, b) = (flow.table[i], flow.table[(i + 1) % FLOW_POINTS]);
        a + (b - a) * (x - i as f64)
    };
    let mut from = level * amp_at(track.turns[0]);
    let [p0, p1] = &mut peaks[..] else { return };
    for b in 0..track.n_blocks() {
        let to = level * amp_at(track.turns[b + 1]) * (1.0 + depth * unrest.step(&mut d)).max(0.3);
        if from + to <= 0.0 {
            continue;
        }
        let step = (to - from) / track.block_len as f64;
        let mut gain = from;
        for v in &mut buf[track.range(b)] {
            let w = d.white();
            *v += gain * (low.step(w) + gains[0] * p0.step(w) + gains[1] * p1.step(w) + flow.floor * w);
            gain += step;
        }
        from = to;
    }
}

fn add_events(buf: &mut [f64], pump: &PumpVoice, track: &Track, run: &Running, k: usize, change: &EventChange) {
    let mut day =
        Draw::new(run.day_seed, Source::DayEvents, k + if run.event_source == Source::Event { 0 } else { 64 });
    for (e, event) in pump.modules[k].events.iter().enumerate() {
        let day_db = run.event_jitter_db * day.normal();
        let day_deg = run.event_jitter_deg * day.normal();
        let mut d = Draw::new(run.seed, run.event_source, 4 * k + e);
        // 0.006 deg per ms and stroke/min; the voice's angle is meant at nominal speed.
        let angle = event.angle_deg + event.lag_ms * 0.006 * (run.spm - pump.nominal_spm) + day_deg + change.deg[e];
        let level = event.energy.sqrt()
            * libm::pow(run.spm / pump.nominal_spm, event.speed_power)
            * libm::pow(run.pressure, event.pressure_power)
            * db_to_amp(day_db + change.db[e]);
        let first = (track.turns[0] - pump.behind[k]).floor() - 1.0;
        let last = (track.end() - pump.behind[k]).ceil();
        let mut n = first;
        while n <= last {
            let deg = angle + event.scatter_deg * d.normal();
            let amp = level * db_to_amp(event.scatter_db * d.normal());
            let at = track.sample_at(pump.behind[k] + n + deg / 360.0);
            let heard = if change.missing[e] { 0.0 } else { amp };
            add_burst(buf, &event.burst, at, heard, track.sample_rate_hz, &mut d);
            n += 1.0;
        }
    }
}

/// Adds a burst that starts at `at` samples (may have a fraction, may lie before the clip).
///
/// Draws the same count of numbers whatever the amplitude and place, so that later strokes do not change.
pub(super) fn add_burst(buf: &mut [f64], burst: &Burst, at: f64, amp: f64, rate_hz: f64, d: &mut Draw) {
    let i0 = to_index(at.ceil());
    let late_s = (i0 as f64 - at) / rate_hz;
    for mode in &burst.modes {
        let a = amp * mode.amp * db_to_amp(MODE_SCATTER_DB * d.normal());
        // 6.9 time constants: -60 dB.
        let len = to_index(6.9 * mode.tau_s * rate_hz);
        if mode.freq_hz > 0.45 * rate_hz || i0 >= buf.len() || late_s > 6.9 * mode.tau_s {
            continue;
        }
        let start = a * libm::exp(-late_s / mode.tau_s);
        let phase = TAU * mode.freq_hz * late_s;
        let keep = libm::exp(-1.0 / (mode.tau_s * rate_hz));
        let w = TAU * mode.freq_hz / rate_hz;
        let (c, s) = (keep * libm::cos(w), keep * libm::sin(w));
        let (mut re, mut im) = (start * libm::cos(phase), start * libm::sin(phase));
        let end = (i0 + len).min(buf.len());
        for v in &mut buf[i0..end] {
            *v += im;
            (re, im) = (re * c - im * s, re * s + im * c);
        }
    }
    // The rattle has a stream of its own a strike, so that its length cannot move the draws that follow.
    let mut rattle_draw = Draw::new(d.bits(), Source::Event, 0);
    if i0 >= buf.len() || late_s > 6.9 * burst.rattle_tau_s {
        return;
    }
    let mut filter = Biquad::band_pass(burst.rattle_hz, burst.rattle_q, rate_hz);
    let keep = libm::exp(-1.0 / (burst.rattle_tau_s * rate_hz));
    let mut env = amp * burst.rattle_amp * libm::exp(-late_s / burst.rattle_tau_s) * (rate_hz / VOICE_RATE_HZ).sqrt();
    let end = (i0 + to_index(6.9 * burst.rattle_tau_s * rate_hz)).min(buf.len());
    for v in &mut buf[i0..end] {
        *v += env * filter.step(rattle_draw.white());
        env *= keep;
    }
}

/// Adds the drive's tones.
pub(super) fn add_tones(buf: &mut [f64], tones: &[ToneVoice], track: &Track, gain: f64, seed: u64) {
    let mut d = Draw::new(seed, Source::Tones, 0);
    let block_s = track.block_len as f64 / track.sample_rate_hz;
    for tone in tones {
        let (phase0, mod0, detune) = (d.unit(), d.unit(), 1.0 + 0.004 * d.normal());
        let mut sway = Slow::new(&mut d, 2.0, block_s);
        // Cycles at the start of block b.
        let cycles = |b: usize| phase0 + tone.per_turn * track.turns[b] + tone.free_hz * detune * b as f64 * block_s;
        let highest = (cycles(1) - cycles(0)) / track.block_len as f64;
        let envelope = |b: usize, sway: f64| {
            gain * tone.amp
                * (1.0 + 0.1 * sway)
                * (1.0 + tone.depth * libm::cos(TAU * (mod0 + tone.depth_per_turn * track.turns[b])))
        };
        let mut from = envelope(0, 0.0);
        for b in 0..track.n_blocks() {
            let to = envelope(b + 1, sway.step(&mut d));
            if highest > 0.45 {
                continue;
            }
            let (here, next) = (cycles(b), cycles(b + 1));
            let w = TAU * (next - here) / track.block_len as f64;
            let step = (to - from) / track.block_len as f64;
            add_sine(&mut buf[track.range(b)], here - here.floor(), w, from, step);
            from = to;
        }
    }
}

/// Adds a sine from `cycle` (0..1) on, `w` rad a sample, its amplitude growing by `step` a sample.
///
/// Four samples at a time, each a phasor that turns by `4 w`: the chains are independent.
fn add_sine(part: &mut [f64], cycle: f64, w: f64, amp: f64, step: f64) {
    let (c, s) = (libm::cos(w), libm::sin(w));
    let angle = TAU * cycle;
    let mut re = [libm::cos(angle), 0.0, 0.0, 0.0];
    let mut im = [libm::sin(angle), 0.0, 0.0, 0.0];
    for k in 1..4 {
        (re[k], im[k]) = (re[k - 1] * c - im[k - 1] * s, re[k - 1] * s + im[k - 1] * c);
    }
    let (c2, s2) = (c * c - s * s, 2.0 * c * s);
    let (c4, s4) = (c2 * c2 - s2 * s2, 2.0 * c2 * s2);
    let mut amps = [amp, amp + step, amp + 2.0 * step, amp + 3.0 * step];
    for four in part.chunks_mut(4) {
        for (v, (a, i)) in four.iter_mut().zip(amps.iter().zip(&im)) {
            *v += a * i;
        }
        for k in 0..4 {
            (re[k], im[k]) = (re[k] * c4 - im[k] * s4, re[k] * s4 + im[k] * c4);
            amps[k] += 4.0 * step;
        }
    }
}

/// A leak's jet of unit mean power within its half (or over the whole turn if it has none).
pub(super) fn jet(jet: &JetVoice, fault: Fault, behind: f64, track: &Track, seed: u64) -> Vec<f64> {
    let mut d = Draw::new(seed, Source::FaultNoise, 0);
    let rate = track.sample_rate_hz;
    let block_s = track.block_len as f64 / rate;
    let half = fault.half_start_deg();
    let travel_db = if matches!(fault, Fault::Piston { .. }) { jet.travel_db } else { 0.0 };
    let mut chain = jet.filters(rate);
    let mut slow = Slow::new(&mut d, jet.slow_tau_s, block_s);
    let mut fast = Slow::new(&mut d, jet.fast_tau_s, block_s);
    let (mut stroke, mut stroke_db) = (f64::NEG_INFINITY, 0.0);
    let mut out = vec![0.0; track.n_samples];
    let mut amps = Vec::with_capacity(track.n_blocks() + 1);
    for turn in &track.turns {
        let since = turn - behind - half.unwrap_or(0.0) / 360.0;
        if since.floor() > stroke {
            stroke = since.floor();
            stroke_db = jet.stroke_db * d.normal();
        }
        let deg = (since - since.floor()) * 360.0;
        let gate = if half.is_some() { jet.gate_at(deg) } else { 1.0 };
        let gust = jet.slow_db * slow.step(&mut d) + jet.fast_db * fast.step(&mut d);
        let travel = travel_db * (deg / 180.0 - 0.5);
        amps.push(if gate > 0.0 { gate * db_to_amp(gust + stroke_db + travel) } else { 0.0 });
    }
    let scale = (rate / VOICE_RATE_HZ).sqrt();
    for b in 0..track.n_blocks() {
        let range = track.range(b);
        let part = &mut out[range];
        part.iter_mut().for_each(|v| *v = scale * d.white());
        Biquad::run_chain(&mut chain, part);
        let step = (amps[b + 1] - amps[b]) / track.block_len as f64;
        let mut gain = amps[b];
        for v in part {
            *v *= gain;
            gain += step;
        }
    }
    let power = match half {
        None => mean_square(&out),
        Some(start) => power_in_half(&out, track, behind + start / 360.0),
    };
    if power > 0.0 {
        let k = 1.0 / power.sqrt();
        out.iter_mut().for_each(|v| *v *= k);
    }
    out
}

/// Mean power over the samples that lie in the half turn after `start_turn` (modulo 1).
pub(super) fn power_in_half(x: &[f64], track: &Track, start_turn: f64) -> f64 {
    let (mut sum, mut n) = (0.0, 0_usize);
    for b in 0..track.n_blocks() {
        if (f64::midpoint(track.turns[b], track.turns[b + 1]) - start_turn).rem_euclid(1.0) < 0.5 {
            let part = &x[track.range(b)];
            sum += part.iter().map(|v| v * v).sum::<f64>();
            n += part.len();
        }
    }
    if n == 0 { 0.0 } else { sum / n as f64 }
}

#[cfg(test)]
mod tests {
    use super::super::noise::power_to_db;
    use super::*;

    #[test]
    fn a_burst_has_the_energy_asked_for() {
        let rate = 48_000.0;
        let mut sum = 0.0;
        let n = 200_u32;
        for seed in 0..n {
            let burst = Burst::draw(&mut Draw::new(u64::from(seed), Source::Pump, 0), 300.0, 8000.0, 6, (2.0, 10.0));
            let mut buf = vec![0.0; 9600];
            add_burst(&mut buf, &burst, 10.3, 1.0, rate, &mut Draw::new(u64::from(seed), Source::Event, 0));
            sum += buf.iter().map(|v| v * v).sum::<f64>() / rate;
        }
        // Scatter of single resonances adds a little; resonances that lie close beat.
        let db = power_to_db(sum / f64::from(n));
        assert!(db.abs() < 0.6, "{db}");
    }

    #[test]
    fn a_burst_cut_by_the_start_of_the_clip_goes_on_as_if_whole() {
        let mut burst = Burst::draw(&mut Draw::new(3, Source::Pump, 0), 300.0, 8000.0, 6, (2.0, 10.0));
        burst.rattle_amp = 0.0;
        let (mut whole, mut cut) = (vec![0.0; 4000], vec![0.0; 3900]);
        let fresh = || Draw::new(3, Source::Event, 0);
        add_burst(&mut whole, &burst, 50.25, 1.0, 48_000.0, &mut fresh());
        add_burst(&mut cut, &burst, -49.75, 1.0, 48_000.0, &mut fresh());
        for (a, b) in whole[100..600].iter().zip(&cut) {
            assert!((a - b).abs() < 1e-9);
        }
    }

    #[test]
    fn the_sine_is_that_of_the_formula() {
        let mut x = vec![0.0; 63];
        add_sine(&mut x, 0.3, 0.11, 2.0, -0.01);
        for (i, v) in x.iter().enumerate() {
            let i = i as f64;
            assert!((v - (2.0 - 0.01 * i) * (TAU * 0.3 + 0.11 * i).sin()).abs() < 1e-12);
        }
    }
}
