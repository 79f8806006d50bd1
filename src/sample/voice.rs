//! What a pump sounds like from inside: draws in, lasting properties of its modules out.

use super::noise::{Draw, db_to_amp, db_to_power};
use crate::dsp::biquad::Biquad;

/// Sample rate at which voices are normalised, in Hz.
pub(super) const VOICE_RATE_HZ: f64 = 48_000.0;

/// Points a turn in the flow tables.
pub(super) const FLOW_POINTS: usize = 720;

/// The four valve events of a turn, in order of angle.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, serde::Deserialize, serde::Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum ValveEvent {
    /// Suction valve meets its seat, a little after 0 deg.
    SuctionCloses,
    /// Discharge valve lifts, once the chamber is at discharge pressure.
    DischargeOpens,
    /// Discharge valve meets its seat, a little after 180 deg.
    DischargeCloses,
    /// Suction valve lifts.
    SuctionOpens,
}

impl ValveEvent {
    /// All four in order of angle.
    #[cfg(test)]
    pub(super) const ALL: [Self; 4] =
        [Self::SuctionCloses, Self::DischargeOpens, Self::DischargeCloses, Self::SuctionOpens];

    /// Place in the order of angle.
    #[must_use]
    pub fn index(self) -> usize {
        self as usize
    }
}

/// One decaying resonance.
#[derive(Debug, Clone, Copy)]
pub(super) struct Mode {
    pub(super) freq_hz: f64,
    pub(super) tau_s: f64,
    pub(super) amp: f64,
}

/// A burst: resonances struck together and a short rattle of noise.
#[derive(Debug, Clone)]
pub(super) struct Burst {
    pub(super) modes: Vec<Mode>,
    pub(super) rattle_amp: f64,
    pub(super) rattle_tau_s: f64,
    /// Band pass of the rattle's noise.
    pub(super) rattle_hz: f64,
    pub(super) rattle_q: f64,
}

impl Burst {
    /// A burst of unit energy (sum of squares times the sample interval).
    pub(super) fn draw(d: &mut Draw, lowest_hz: f64, highest_hz: f64, n_modes: usize, tau_ms: (f64, f64)) -> Self {
        let tilt = d.between(0.1, 0.7);
        let mut modes: Vec<Mode> = (0..n_modes)
            .map(|_| {
                let freq_hz = d.log_between(lowest_hz, highest_hz);
                // Higher modes die sooner and are struck less.
                let tau_s = d.log_between(tau_ms.0, tau_ms.1) / 1000.0 * libm::pow(freq_hz / 1000.0, -0.35);
                let amp = d.sign() * db_to_amp(4.0 * d.normal()) * libm::pow(freq_hz / 1000.0, -tilt) / tau_s.sqrt();
                Mode { freq_hz, tau_s, amp }
            })
            .collect();
        let share = d.between(0.15, 0.5);
        let energy: f64 = modes.iter().map(|m| m.amp * m.amp * m.tau_s / 4.0).sum();
        let scale = ((1.0 - share) / energy).sqrt();
        modes.iter_mut().for_each(|m| m.amp *= scale);
        let rattle_tau_s = d.log_between(1.5, 7.0) / 1000.0;
        let rattle_hz = d.log_between(1500.0, 7000.0);
        let rattle_q = d.between(0.4, 0.9);
        let rattle = Biquad::band_pass(rattle_hz, rattle_q, VOICE_RATE_HZ);
        let power = noise_power(|f| rattle.response(f, VOICE_RATE_HZ));
        let rattle_amp = (share * 2.0 / rattle_tau_s / power).sqrt();
        Self { modes, rattle_amp, rattle_tau_s, rattle_hz, rattle_q }
    }
}

/// One valve event of one module.
#[derive(Debug, Clone)]
pub(super) struct EventVoice {
    /// Angle that geometry and compression give, in deg.
    pub(super) angle_deg: f64,
    /// Delay of the valve itself, in ms: more degrees at more speed.
    pub(super) lag_ms: f64,
    /// Energy at the nominal operating point.
    pub(super) energy: f64,
    /// Stroke-to-stroke scatter of strength and of angle.
    pub(super) scatter_db: f64,
    pub(super) scatter_deg: f64,
    /// dB per doubling would be 6.02 times these: amplitude goes with speed and pressure to these powers.
    pub(super) speed_power: f64,
    pub(super) pressure_power: f64,
    pub(super) burst: Burst,
}

/// Flow noise of one half of the turn.
#[derive(Debug, Clone)]
pub(super) struct FlowVoice {
    pub(super) low_pass: (f64, f64),
    pub(super) peaks: Vec<(f64, f64, f64)>,
    pub(super) floor: f64,
    /// Makes the noise unit power at [`VOICE_RATE_HZ`].
    pub(super) scale: f64,
    /// Amplitude over the turn, [`FLOW_POINTS`] points, at the nominal operating point.
    pub(super) table: Vec<f64>,
    pub(super) speed_power: f64,
    pub(super) pressure_power: f64,
    /// Stroke-to-stroke unrest in dB.
    pub(super) unrest_db: f64,
}

/// One module.
#[derive(Debug, Clone)]
pub(super) struct ModuleVoice {
    pub(super) events: [EventVoice; 4],
    pub(super) flows: [FlowVoice; 2],
}

/// A tone locked to the crank (`per_turn` cycles a turn) or free (`free_hz`).
#[derive(Debug, Clone, Copy)]
pub(super) struct ToneVoice {
    pub(super) per_turn: f64,
    pub(super) free_hz: f64,
    pub(super) amp: f64,
    /// Depth of the modulation and its cycles a turn.
    pub(super) depth: f64,
    pub(super) depth_per_turn: f64,
}

/// One pump: its modules, gears and motion.
#[derive(Debug, Clone)]
pub(super) struct PumpVoice {
    pub(super) modules: Vec<ModuleVoice>,
    /// Turns by which each module runs behind module 1.
    pub(super) behind: Vec<f64>,
    pub(super) tones: Vec<ToneVoice>,
    pub(super) ripple: f64,
    pub(super) nominal_spm: f64,
}

/// Mean power of unit white noise through a filter, by a sum over frequency up to half of [`VOICE_RATE_HZ`].
pub(super) fn noise_power(response: impl Fn(f64) -> (f64, f64)) -> f64 {
    let n = 1200;
    (0..n)
        .map(|k| {
            let (re, im) = response((f64::from(k) + 0.5) / f64::from(n) * VOICE_RATE_HZ / 2.0);
            re * re + im * im
        })
        .sum::<f64>()
        / f64::from(n)
}

/// Piston speed of a slider-crank at `deg`, 1 at its order of magnitude (dx/da for unit crank radius).
///
/// x = (1 - cos a) + (l/r) (1 - sqrt(1 - (r/l)^2 sin^2 a)).
pub(super) fn piston_speed(deg: f64, r_over_l: f64) -> f64 {
    let a = deg.to_radians();
    let (s, c) = (libm::sin(a), libm::cos(a));
    s + r_over_l * s * c / (1.0 - r_over_l * r_over_l * s * s).sqrt()
}

impl FlowVoice {
    fn draw(d: &mut Draw, discharge: bool, r_over_l: f64, level: f64) -> Self {
        let low_pass = (d.log_between(500.0, 2200.0), d.between(0.5, 0.9));
        let n_peaks = 2;
        let peaks = (0..n_peaks)
            .map(|k| {
                let hz = if k == 0 { d.log_between(700.0, 3000.0) } else { d.log_between(2500.0, 9000.0) };
                (hz, d.between(0.5, 2.0), d.sign() * db_to_amp(if k == 0 { -5.0 } else { -9.0 } + 3.0 * d.normal()))
            })
            .collect();
        let floor = db_to_amp(d.between(-27.0, -19.0));
        let power = d.between(1.1, 2.2);
        // The valve throttles most when it is nearly shut, so the noise does not vanish at the ends of the half.
        let rest = d.between(0.02, 0.12);
        let mut table: Vec<f64> = (0..FLOW_POINTS)
            .map(|k| {
                let deg = k as f64 * 360.0 / FLOW_POINTS as f64;
                let v = piston_speed(deg, r_over_l) * if discharge { 1.0 } else { -1.0 };
                // The valve of the other half is shut: no flow, no noise (and no time spent on it).
                if v > 0.0 { rest + libm::pow(v, power) } else { 0.0 }
            })
            .collect();
        let rms = (table.iter().map(|x| x * x).sum::<f64>() / FLOW_POINTS as f64).sqrt();
        table.iter_mut().for_each(|x| *x *= level / rms);
        let mut voice = Self {
            low_pass,
            peaks,
            floor,
            scale: 1.0,
            table,
            speed_power: power,
            pressure_power: d.between(0.2, 0.7),
            unrest_db: d.between(0.3, 0.9),
        };
        let (low, peaks) = voice.filters(VOICE_RATE_HZ);
        let power = noise_power(|f| {
            let (mut re, mut im) = low.response(f, VOICE_RATE_HZ);
            for (p, (_, _, g)) in peaks.iter().zip(&voice.peaks) {
                let r = p.response(f, VOICE_RATE_HZ);
                re += g * r.0;
                im += g * r.1;
            }
            (re + voice.floor, im)
        });
        voice.scale = 1.0 / power.sqrt();
        voice
    }

    /// The filters at a sample rate: the low pass and the peaks, to be summed with the floor.
    pub(super) fn filters(&self, rate_hz: f64) -> (Biquad, Vec<Biquad>) {
        let low = Biquad::low_pass(self.low_pass.0, self.low_pass.1, rate_hz);
        (low, self.peaks.iter().map(|(hz, q, _)| Biquad::band_pass(*hz, *q, rate_hz)).collect())
    }
}

impl ModuleVoice {
    fn draw(d: &mut Draw, turn_s: f64, r_over_l: f64, closing_lag_deg: f64, compression_deg: f64) -> Self {
        let module_amp = db_to_amp(1.2 * d.normal());
        let suction_amp = module_amp * db_to_amp(d.between(-8.0, -2.0));
        let flows = [FlowVoice::draw(d, true, r_over_l, module_amp), FlowVoice::draw(d, false, r_over_l, suction_amp)];
        let close_s = closing_lag_deg * d.between(0.7, 1.3);
        let close_d = closing_lag_deg * d.between(0.7, 1.4);
        let open_d = close_s + compression_deg * d.between(0.8, 1.2);
        let open_s = close_d + compression_deg * d.between(0.5, 1.0);
        let angles = [close_s, open_d, 180.0 + close_d, 180.0 + open_s];
        let events = [0_usize, 1, 2, 3].map(|k| {
            let closing = k % 2 == 0;
            // Parts of the flow's energy a turn: closings are the loud knocks, openings softer.
            let share = if closing { d.log_between(0.025, 0.1) } else { d.log_between(0.003, 0.015) };
            EventVoice {
                angle_deg: angles[k],
                lag_ms: d.between(2.0, 6.0),
                energy: share * turn_s,
                scatter_db: d.between(0.7, 1.6),
                scatter_deg: d.between(0.25, 0.8),
                speed_power: if closing { d.between(0.9, 1.9) } else { d.between(0.3, 1.0) },
                pressure_power: if k == 0 || k == 3 { d.between(0.0, 0.5) } else { d.between(0.3, 1.0) },
                burst: Burst::draw(d, 250.0, 9000.0, if closing { 7 } else { 5 }, (2.0, 10.0)),
            }
        });
        Self { events, flows }
    }
}

impl PumpVoice {
    /// # Arguments
    /// - `order`: module numbers in firing order; the k-th starts its discharge stroke k / n turns after the first.
    pub(super) fn draw(d: &mut Draw, order: &[u32], nominal_spm: f64) -> Self {
        let turn_s = 60.0 / nominal_spm;
        let r_over_l = d.between(0.15, 0.28);
        let lag_deg = d.between(2.0, 7.0);
        let compression_deg = d.between(3.0, 9.0);
        let n = order.len();
        let modules = (0..n).map(|_| ModuleVoice::draw(d, turn_s, r_over_l, lag_deg, compression_deg)).collect();
        let mut behind = vec![0.0; n];
        let first = order.iter().position(|m| *m == 1).unwrap_or(0);
        for (place, m) in order.iter().enumerate() {
            if let Some(b) = (*m as usize).checked_sub(1).and_then(|m| behind.get_mut(m)) {
                *b = ((place + n - first) % n) as f64 / n as f64;
            }
        }
        Self { modules, behind, tones: tones(d), ripple: d.between(0.0, 0.002), nominal_spm }
    }
}

/// Gear-mesh harmonics with their side bands, the pinion shaft's tones and the motor's own.
fn tones(d: &mut Draw) -> Vec<ToneVoice> {
    let teeth = d.between(80.0, 130.0).round();
    let ratio = d.between(3.6, 5.2);
    let level = db_to_amp(d.between(-17.0, -9.0));
    let mut out: Vec<ToneVoice> = (1..=4)
        .map(|h| ToneVoice {
            per_turn: teeth * f64::from(h),
            free_hz: 0.0,
            amp: level * db_to_amp(-3.5 * f64::from(h - 1) + 3.0 * d.normal()),
            depth: d.between(0.1, 0.6),
            depth_per_turn: if h % 2 == 1 { 1.0 } else { ratio },
        })
        .collect();
    // The torque's three humps a turn load the gears too.
    out[0].depth_per_turn = 3.0;
    let fan = d.log_between(250.0, 900.0);
    out.push(ToneVoice {
        per_turn: ratio * d.between(7.0, 15.0).round(),
        free_hz: 0.0,
        amp: level * db_to_amp(d.between(-8.0, 0.0)),
        depth: d.between(0.0, 0.3),
        depth_per_turn: 1.0,
    });
    out.push(ToneVoice {
        per_turn: 0.0,
        free_hz: fan,
        amp: level * db_to_amp(d.between(-8.0, 0.0)),
        depth: d.between(0.0, 0.2),
        depth_per_turn: 0.37,
    });
    // A converter's whine, high where the leaks are.
    out.push(ToneVoice {
        per_turn: 0.0,
        free_hz: d.log_between(2200.0, 7800.0),
        amp: level * db_to_amp(d.between(-22.0, -10.0)),
        depth: d.between(0.0, 0.3),
        depth_per_turn: 3.0,
    });
    out
}

/// Shape of a jet through a small gap.
#[derive(Debug, Clone, Copy)]
pub(super) struct JetVoice {
    pub(super) high_pass: (f64, f64),
    pub(super) steep: bool,
    pub(super) low_pass_hz: f64,
    pub(super) peak: (f64, f64, f64),
    /// Edges of the gate within the half: start, rise, end, fall, in deg.
    pub(super) gate: (f64, f64, f64, f64),
    pub(super) slow_db: f64,
    pub(super) slow_tau_s: f64,
    pub(super) fast_db: f64,
    pub(super) fast_tau_s: f64,
    pub(super) stroke_db: f64,
    /// How much more a worn liner passes at one end of the travel than at the other, in dB.
    pub(super) travel_db: f64,
}

impl JetVoice {
    pub(super) fn draw(d: &mut Draw) -> Self {
        Self {
            high_pass: (d.log_between(1800.0, 4800.0), d.between(0.5, 1.1)),
            steep: d.unit() < 0.35,
            low_pass_hz: d.log_between(7000.0, 19_000.0),
            peak: (d.log_between(2500.0, 9000.0), d.between(0.7, 2.5), d.between(0.0, 8.0)),
            gate: (d.between(1.0, 14.0), d.between(5.0, 20.0), d.between(172.0, 179.5), d.between(5.0, 20.0)),
            slow_db: d.between(0.8, 2.2),
            slow_tau_s: d.log_between(0.4, 3.0),
            fast_db: d.between(0.8, 2.5),
            fast_tau_s: d.log_between(0.006, 0.04),
            stroke_db: d.between(0.4, 1.8),
            travel_db: d.between(-9.0, 9.0),
        }
    }

    /// Filters at a sample rate, to be run one after the other.
    pub(super) fn filters(&self, rate_hz: f64) -> [Biquad; 4] {
        let second = if self.steep { Biquad::high_pass(self.high_pass.0 * 0.7, 0.6, rate_hz) } else { Biquad::open() };
        [
            Biquad::high_pass(self.high_pass.0, self.high_pass.1, rate_hz),
            second,
            Biquad::low_pass(self.low_pass_hz, 0.6, rate_hz),
            Biquad::peaking(self.peak.0, self.peak.1, self.peak.2, rate_hz),
        ]
    }

    /// Gate amplitude at `deg` (0..360) from the start of the half in which it jets: 0 outside, about 1 inside.
    pub(super) fn gate_at(&self, deg: f64) -> f64 {
        let (start, rise, end, fall) = self.gate;
        let up = ((deg - start) / rise).clamp(0.0, 1.0);
        let down = ((end - deg) / fall).clamp(0.0, 1.0);
        // Smooth ends: 3 x^2 - 2 x^3.
        let ease = |x: f64| x * x * (3.0 - 2.0 * x);
        ease(up) * ease(down)
    }
}

/// Power factor of a leak at a pressure relative to nominal: a jet's noise grows a little faster than its flow.
pub(super) fn leak_pressure_power(pressure: f64) -> f64 {
    libm::pow(pressure.max(0.01), 1.5)
}

/// One band of the rig's own noise.
#[derive(Debug, Clone, Copy)]
pub(super) struct RigBand {
    pub(super) filter: (f64, f64),
    pub(super) amp: f64,
    pub(super) sway_db: f64,
    pub(super) sway_tau_s: f64,
}

impl RigBand {
    /// Rumble, middle and air; `hf_rms` and `rms` are the pump's own levels that they are set against.
    pub(super) fn draw_all(d: &mut Draw, rms: f64, hf_rms: f64) -> Vec<Self> {
        let specs =
            [(60.0, 180.0, rms, -9.0, 1.0), (500.0, 1400.0, rms, -18.0, -8.0), (3000.0, 8000.0, hf_rms, -15.0, -6.0)];
        specs
            .iter()
            .map(|(lo, hi, level, low_db, high_db)| {
                let filter = (d.log_between(*lo, *hi), d.between(0.35, 0.8));
                let f = Self::filter(filter, VOICE_RATE_HZ);
                let power = noise_power(|hz| f.response(hz, VOICE_RATE_HZ));
                let want = level * level * db_to_power(d.between(*low_db, *high_db));
                Self {
                    filter,
                    amp: (want / power).sqrt(),
                    sway_db: d.between(0.5, 2.0),
                    sway_tau_s: d.log_between(1.5, 15.0),
                }
            })
            .collect()
    }

    pub(super) fn filter(spec: (f64, f64), rate_hz: f64) -> Biquad {
        Biquad::band_pass(spec.0, spec.1, rate_hz)
    }
}

#[cfg(test)]
mod tests {
    use super::super::noise::Source;
    use super::*;

    #[test]
    fn piston_speed_is_the_slope_of_the_slider_crank() {
        let ratio = 0.22_f64;
        let place = |a: f64| (1.0 - a.cos()) + (1.0 - (1.0 - (ratio * a.sin()).powi(2)).sqrt()) / ratio;
        for deg in [0.0_f64, 10.0, 77.0, 90.0, 180.0, 200.0, 333.0] {
            let a = deg.to_radians();
            let slope = (place(a + 1e-5) - place(a - 1e-5)) / 2e-5;
            assert!((piston_speed(deg, ratio) - slope).abs() < 1e-9, "{deg}");
        }
    }

    #[test]
    fn flow_noise_belongs_to_its_half_and_the_order_sets_the_angles() {
        let pump = PumpVoice::draw(&mut Draw::new(9, Source::Pump, 0), &[1, 3, 2], 70.0);
        for module in &pump.modules {
            for (half, flow) in module.flows.iter().enumerate() {
                let other = if half == 0 { FLOW_POINTS / 2 + 1..FLOW_POINTS } else { 1..FLOW_POINTS / 2 };
                assert!(flow.table[other].iter().all(|x| x.abs() < 1e-12));
            }
        }
        let third = 1.0 / 3.0;
        for (got, want) in pump.behind.iter().zip([0.0, 2.0 * third, third]) {
            assert!((got - want).abs() < 1e-12);
        }
    }

    #[test]
    fn events_come_in_order_and_closings_are_the_loud_ones() {
        for seed in 0..30 {
            let pump = PumpVoice::draw(&mut Draw::new(seed, Source::Pump, 0), &[1, 2, 3], 70.0);
            for m in &pump.modules {
                assert!(m.events.windows(2).all(|w| w[0].angle_deg < w[1].angle_deg));
                assert!(m.events[0].energy > m.events[1].energy && m.events[2].energy > m.events[3].energy);
            }
        }
    }

    #[test]
    fn the_gate_is_shut_outside_its_half() {
        for seed in 0..50 {
            let jet = JetVoice::draw(&mut Draw::new(seed, Source::FaultVoice, 0));
            assert!((0..180).all(|k| jet.gate_at(180.0 + f64::from(k)) < 1e-12));
            assert!(jet.gate_at(90.0) > 0.999);
        }
    }
}
