//! From the pump to the file: paths, reverberation, rig noise, tone colour, automatic gain.

use super::noise::{Draw, Slow, Source, db_to_amp, power_to_db, to_index};
use super::sound::add_burst;
use super::voice::{Burst, RigBand, VOICE_RATE_HZ};
use crate::dsp::biquad::Biquad;

/// The way of a sound from one module to another module's spot.
#[derive(Debug, Clone, Copy)]
pub(super) struct PathVoice {
    pub(super) gain_db: f64,
    pub(super) delay_s: f64,
    pub(super) bell: (f64, f64, f64),
    pub(super) low_pass_hz: f64,
}

impl PathVoice {
    /// Through the steel of the next module, or through the one after it.
    pub(super) fn draw(d: &mut Draw, apart: usize) -> Self {
        let extra = if apart > 1 { d.between(1.0, 4.0) } else { 0.0 };
        Self {
            gain_db: -d.between(7.0, 12.0) - extra,
            delay_s: d.between(0.0002, 0.0015) * apart as f64,
            bell: (d.log_between(400.0, 6000.0), d.between(0.5, 1.5), 3.5 * d.normal()),
            low_pass_hz: d.log_between(5000.0, 18_000.0),
        }
    }

    /// From the pump next door.
    pub(super) fn far(d: &mut Draw) -> Self {
        Self {
            gain_db: 0.0,
            delay_s: 0.0,
            bell: (d.log_between(400.0, 6000.0), d.between(0.5, 1.5), 3.5 * d.normal()),
            low_pass_hz: d.log_between(5000.0, 15_000.0),
        }
    }

    /// Adds `from` to `to` as heard over this path.
    pub(super) fn add(&self, to: &mut [f64], from: &[f64], jitter_db: f64, rate_hz: f64) {
        let gain = db_to_amp(self.gain_db + jitter_db);
        let delay = to_index((self.delay_s * rate_hz).round()).min(to.len());
        let mut bell = Biquad::peaking(self.bell.0, self.bell.1, self.bell.2, rate_hz);
        let mut low = Biquad::low_pass(self.low_pass_hz, 0.6, rate_hz);
        for (y, x) in to[delay..].iter_mut().zip(from) {
            *y += gain * low.step(bell.step(*x));
        }
    }
}

/// One feedback comb with a low pass in its loop (after M. R. Schroeder 1962 and J. A. Moorer 1979, from memory).
struct Comb {
    ring: Vec<f64>,
    at: usize,
    low: f64,
    gain: f64,
}

impl Comb {
    #[inline]
    fn step(&mut self, x: f64, damping: f64) -> f64 {
        let back = self.ring[self.at];
        self.low = back + damping * (self.low - back);
        self.ring[self.at] = x + self.gain * self.low;
        self.at += 1;
        if self.at == self.ring.len() {
            self.at = 0;
        }
        back
    }
}

/// The room: early reflections and three damped combs.
#[derive(Debug, Clone)]
pub(super) struct ReverbVoice {
    taps: Vec<(f64, f64)>,
    combs: [(f64, f64); 3],
    damping: f64,
    wet: f64,
}

impl ReverbVoice {
    pub(super) fn draw(d: &mut Draw) -> Self {
        let taps = (0..5).map(|_| (d.between(0.0008, 0.012), d.sign() * d.between(0.05, 0.28))).collect();
        let decay_s = d.log_between(0.08, 0.3);
        let combs = [0; 3].map(|_| {
            let delay_s = d.between(0.011, 0.037);
            (delay_s, libm::pow(10.0, -3.0 * delay_s / decay_s))
        });
        Self { taps, combs, damping: d.between(0.15, 0.5), wet: db_to_amp(d.between(-18.0, -9.0)) }
    }

    /// The sound with its reverberation.
    pub(super) fn apply(&self, dry: &[f64], rate_hz: f64) -> Vec<f64> {
        let mut out = dry.to_vec();
        for (delay_s, gain) in &self.taps {
            let n = to_index((delay_s * rate_hz).round()).min(out.len());
            for (y, x) in out[n..].iter_mut().zip(dry) {
                *y += gain * x;
            }
        }
        let mut combs = self.combs.map(|(delay_s, gain)| Comb {
            ring: vec![0.0; to_index((delay_s * rate_hz).round()).max(1)],
            at: 0,
            low: 0.0,
            gain,
        });
        for (y, x) in out.iter_mut().zip(dry) {
            let [a, b, c] = &mut combs;
            *y += self.wet * (a.step(*x, self.damping) + b.step(*x, self.damping) + c.step(*x, self.damping));
        }
        out
    }
}

/// Adds the rig's noise, each band with its own slow sway.
pub(super) fn add_rig_noise(buf: &mut [f64], bands: &[RigBand], level_db: f64, rate_hz: f64, seed: u64, day_seed: u64) {
    let mut day = Draw::new(day_seed, Source::DayRig, 0);
    let block = to_index((rate_hz / 100.0).round()).max(1);
    for (k, band) in bands.iter().enumerate() {
        let mut d = Draw::new(seed, Source::RigNoise, k);
        let base = band.amp * db_to_amp(level_db + 1.5 * day.normal()) * (rate_hz / VOICE_RATE_HZ).sqrt();
        let mut filter = RigBand::filter(band.filter, rate_hz);
        let mut sway = Slow::new(&mut d, band.sway_tau_s, block as f64 / rate_hz);
        let mut from = base;
        for part in buf.chunks_mut(block) {
            let to = base * db_to_amp(band.sway_db * sway.step(&mut d));
            let step = (to - from) / block as f64;
            let mut gain = from;
            for v in part {
                *v += gain * filter.step(d.white());
                gain += step;
            }
            from = to;
        }
    }
}

/// Adds single clanks that keep no time with the pump.
pub(super) fn add_clanks(buf: &mut [f64], per_min: f64, energy: f64, rate_hz: f64, seed: u64) {
    let mut d = Draw::new(seed, Source::Clanks, 0);
    if per_min <= 0.0 {
        return;
    }
    let mut t = 0.0;
    loop {
        // Waiting times of a Poisson process.
        t += -libm::log(1.0 - d.unit()) * 60.0 / per_min;
        let at = t * rate_hz;
        if at >= buf.len() as f64 {
            return;
        }
        let burst = Burst::draw(&mut d, 500.0, 8000.0, 6, (4.0, 40.0));
        let amp = energy.sqrt() * db_to_amp(d.between(-9.0, 4.0));
        add_burst(buf, &burst, at, amp, rate_hz, &mut d);
    }
}

/// Standard deviation of a bell's gain that gives a tone colour of 1 dB rms (found by trial; the test below holds it).
const BELL_PER_RMS: f64 = 1.34;

/// The filters of one placement: five bells an octave and a half wide or more, of `colour_db` rms.
pub(super) fn colour(colour_db: f64, rate_hz: f64, seed: u64) -> [Biquad; 5] {
    let mut d = Draw::new(seed, Source::Colour, 0);
    let bells = [0.0, 1.0, 2.0, 3.0, 4.0]
        .map(|k| (130.0 * libm::pow(3.1, k) * d.log_between(0.7, 1.4), d.between(0.35, 0.8), d.normal()));
    if colour_db <= 0.0 {
        return [Biquad::open(); 5];
    }
    let mut filters = bells.map(|(f, q, g)| Biquad::peaking(f, q, colour_db * BELL_PER_RMS * g, rate_hz));
    // The mean over octaves is gain, which has a wish of its own.
    let (mut sum, mut n) = (0.0, 0.0);
    for k in 0..48 {
        let f = 90.0 * libm::pow(2.0, f64::from(k) * 7.5 / 47.0);
        if f < 0.45 * rate_hz {
            sum += filters
                .iter()
                .map(|b| {
                    let (re, im) = b.response(f, rate_hz);
                    power_to_db(re * re + im * im)
                })
                .sum::<f64>();
            n += 1.0;
        }
    }
    filters[0].scale(db_to_amp(-sum / n));
    filters
}

/// A telephone's input: low cut and automatic gain.
#[derive(Debug, Clone, Copy)]
pub(super) struct PhoneVoice {
    low_cut_hz: f64,
    attack_s: f64,
    release_s: f64,
    strength: f64,
    target_db: f64,
}

impl PhoneVoice {
    pub(super) fn draw(d: &mut Draw) -> Self {
        Self {
            low_cut_hz: d.log_between(70.0, 200.0),
            attack_s: d.log_between(0.01, 0.06),
            release_s: d.log_between(0.25, 2.0),
            strength: d.between(0.5, 0.85),
            target_db: d.between(-23.0, -19.0),
        }
    }

    /// Low cut, automatic gain and a soft limit, in place.
    pub(super) fn apply(&self, x: &mut [f64], rate_hz: f64) {
        let mut cut = [Biquad::high_pass(self.low_cut_hz, 0.707, rate_hz)];
        Biquad::run_chain(&mut cut, x);
        let block = to_index((rate_hz / 750.0).round()).max(1);
        let block_s = block as f64 / rate_hz;
        let up = 1.0 - libm::exp(-block_s / self.attack_s);
        let down = 1.0 - libm::exp(-block_s / self.release_s);
        let target = libm::pow(10.0, self.target_db / 10.0);
        let mut env = target;
        let mut from = 1.0;
        for part in x.chunks_mut(block) {
            let power = super::noise::mean_square(part);
            env += if power > env { up } else { down } * (power - env);
            let to = libm::pow((env / target).max(1e-4), -0.5 * self.strength);
            let step = (to - from) / block as f64;
            let mut gain = from;
            for v in part {
                *v = soft_limit(*v * gain);
                gain += step;
            }
            from = to;
        }
    }
}

/// Straight to 0.7, then bent towards 1.
fn soft_limit(x: f64) -> f64 {
    let a = x.abs();
    if a <= 0.7 {
        return x;
    }
    let over = (a - 0.7) / 0.3;
    x.signum() * (0.7 + 0.3 * over / (1.0 + over))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn tone_colour_has_the_rms_asked_for() {
        let mut sum = 0.0;
        let n = 300_u32;
        for seed in 0..n {
            let bells = colour(1.2, 48_000.0, u64::from(seed));
            let db: Vec<f64> = (0..60)
                .map(|k| {
                    let f = 100.0 * libm::pow(2.0, f64::from(k) * 7.0 / 59.0);
                    bells
                        .iter()
                        .map(|b| {
                            let (re, im) = b.response(f, 48_000.0);
                            power_to_db(re * re + im * im)
                        })
                        .sum()
                })
                .collect();
            let mean = db.iter().sum::<f64>() / 60.0;
            assert!(mean.abs() < 0.6, "{mean}");
            sum += db.iter().map(|x| (x - mean) * (x - mean)).sum::<f64>() / 60.0;
        }
        let rms = (sum / f64::from(n)).sqrt();
        assert!((rms - 1.2).abs() < 0.06, "{rms}");
    }

    #[test]
    fn reverberation_dies() {
        for seed in 0..20 {
            let mut dry = vec![0.0; 48_000];
            dry[0] = 1.0;
            let wet = ReverbVoice::draw(&mut Draw::new(seed, Source::Reverb, 0)).apply(&dry, 48_000.0);
            let late = super::super::noise::mean_square(&wet[24_000..]);
            assert!(late < 1e-10, "{late}");
        }
    }

    #[test]
    fn a_phone_never_leaves_full_scale() {
        let phone = PhoneVoice::draw(&mut Draw::new(1, Source::Phone, 0));
        let mut x: Vec<f64> = (0..48_000).map(|i| if i % 4000 < 40 { 9.0 } else { 0.01 }).collect();
        phone.apply(&mut x, 48_000.0);
        assert!(x.iter().all(|v| v.abs() < 1.0));
    }
}
