//! Against SciPy: tests/reference/scipy.json, made by make.py; the versions stand in the file.

use seatsong::inside::baseline::nuisance_of;
use seatsong::inside::dsp::bands::{N_BAND, band_edges_hz};
use seatsong::inside::dsp::frames::FramePlan;
use seatsong::inside::map::{gram, leading};
use seatsong::inside::robust;
use seatsong::inside::score::{Best, Limit, solve};
use seatsong::inside::stroke::whittaker;
use seatsong::inside::tour::{Life, kaplan_meier};
use serde_json::Value;

use crate::{near, noise};

fn reference() -> Value {
    serde_json::from_str(include_str!("../reference/scipy.json")).unwrap()
}

fn number(v: &Value) -> f64 {
    v.as_f64().unwrap_or_else(|| panic!("not a number: {v}"))
}

fn count(v: &Value) -> usize {
    usize::try_from(v.as_u64().unwrap()).unwrap()
}

fn seed(v: &Value) -> u32 {
    u32::try_from(v.as_u64().unwrap()).unwrap()
}

fn numbers(v: &Value) -> Vec<f64> {
    v.as_array().unwrap().iter().map(number).collect()
}

fn rows(v: &Value) -> impl Iterator<Item = &Value> {
    let rows = v.as_array().unwrap();
    assert!(!rows.is_empty(), "no reference rows");
    rows.iter()
}

/// Two lists agree within `rel` of the largest value.
#[track_caller]
fn same(what: &str, got: &[f64], want: &[f64], rel: f64) {
    assert_eq!(got.len(), want.len(), "{what}");
    let scale = want.iter().fold(0.0f64, |m, v| m.max(v.abs()));
    for (g, w) in got.iter().zip(want) {
        near(what, *g, *w, rel * scale);
    }
}

/// Agrees within `rel` of the value itself: a tail of 1e-300 has to keep its digits.
#[track_caller]
fn relatively(what: &str, got: Option<f64>, want: f64, rel: f64) {
    let got = got.unwrap_or_else(|| panic!("{what}: no answer, want {want}"));
    near(what, got, want, rel * want.abs() + f64::MIN_POSITIVE);
}

/// Each frame's band levels against `scipy.signal.periodogram` of the same samples, cut into the same bands.
#[test]
fn band_levels_of_the_frames() {
    let reference = &reference()["band_levels"];
    same("band edges", &band_edges_hz(), &numbers(&reference["edges_hz"]), 1e-12);
    for row in rows(&reference["rates"]) {
        let rate = number(&row["rate_hz"]);
        let plan = FramePlan::new(rate);
        let tone = |i: usize| 0.5 * (std::f64::consts::TAU * 1234.5 * i as f64 / rate).sin();
        #[expect(clippy::cast_possible_truncation, reason = "samples are single precision")]
        let samples: Vec<f32> = noise(count(&row["n"]), seed(&row["seed"]))
            .iter()
            .enumerate()
            .map(|(i, &x)| (f64::from(x as f32) + tone(i)) as f32)
            .collect();
        let found = plan.band_frames(&samples);
        for (i, frame) in rows(&row["frames"]).enumerate() {
            let want = numbers(&frame["level_db"]);
            assert_eq!(found.n_usable, want.len(), "{rate} Hz");
            for (b, (power, want)) in found.power[i * N_BAND..].iter().zip(want).enumerate() {
                // Single precision carries seven digits of the loudest line.
                near(&format!("{rate} Hz, frame {i}, band {b}"), 10.0 * f64::from(*power).log10(), want, 1e-4);
            }
        }
    }
}

/// The small linear systems of phase curve, nuisance and scoring, and the eigenvectors of the strokes, against numpy.
#[test]
fn linear_algebra() {
    let all = &reference()["algebra"];
    let n = count(&all["smooth"]["n"]);
    let w: Vec<f64> = noise(n, 52).iter().map(|x| x.abs()).collect();
    let z = whittaker(&noise(n, 51), &w, number(&all["smooth"]["stiffness"]));
    same("phase curve", &z, &numbers(&all["smooth"]["z_array"]), 1e-10);

    let (m, width) = (count(&all["ridged"]["m"]), count(&all["ridged"]["width"]));
    let d = noise(m * width, 53);
    let rows: Vec<&[f64]> = d.chunks(width).collect();
    let dots = |a: &[f64]| rows.iter().map(|b| a.iter().zip(*b).map(|(x, y)| x * y).sum()).collect::<Vec<f64>>();
    let products: Vec<Vec<f64>> = rows.iter().map(|a| dots(a)).collect();
    let ridge: Vec<f64> = noise(m, 55).iter().map(|x| 0.5 + x.abs()).collect();
    same("scoring", &solve(&products, &noise(m, 54), &ridge), &numbers(&all["ridged"]["x_array"]), 1e-10);

    let variance: Vec<f64> = noise(20, 57).iter().map(|x| 0.2 + x.abs()).collect();
    let quiet: Vec<f64> = noise(20, 58).iter().map(|x| x.abs()).collect();
    let want = &all["nuisance"];
    let vars = [number(&want["offset_var"]), number(&want["floor_var"])];
    let (offset, floor) = nuisance_of(&noise(20, 56), &variance, &quiet, vars[0], vars[1]);
    near("offset", offset, number(&want["offset"]), 1e-12);
    near("floor", floor, number(&want["floor"]), 1e-12);

    let (n, width) = (count(&all["leading"]["n"]), count(&all["leading"]["width"]));
    let (noisy, long) = (noise(n * width, 59), [noise(width, 61), noise(width, 63)]);
    let strong = [noise(n, 60), noise(n, 62)];
    // Widths are whole lanes of 16 in the program: the rest is silence.
    let lanes = width.next_multiple_of(16);
    let mut y = vec![0.0_f32; n * lanes];
    for (i, row) in y.chunks_exact_mut(lanes).enumerate() {
        for (k, cell) in row[..width].iter_mut().enumerate() {
            let value = noisy[i * width + k] + 3.0 * strong[0][i] * long[0][k] + 1.5 * strong[1][i] * long[1][k];
            #[expect(clippy::cast_possible_truncation, reason = "strokes are single precision")]
            {
                *cell = value as f32;
            }
        }
    }
    let found = leading(&gram(&y, n, lanes), n, 2);
    let want = &all["leading"];
    same("eigenvalues", &[found[0].0, found[1].0], &numbers(&want["values_array"]), 1e-6);
    for ((_, vector), name) in found.iter().zip(["first_array", "second_array"]) {
        let towards: Vec<f64> = vector.iter().map(|x| x * vector[0].signum()).collect();
        same(name, &towards, &numbers(&want[name]), 1e-5);
    }
}

/// Departure and chance of a clip from the healthy clips' scores, by `scipy.stats.t` and the moments of the largest of ten by quadrature.
#[test]
fn limits_from_healthy_scores() {
    for row in rows(&reference()["limits"]["rows"]) {
        let shares = numbers(&row["shares"]);
        let scores = noise(count(&row["n"]) * shares.len(), seed(&row["seed"]));
        let best = |scores: &[f64]| -> Vec<Best> { scores.iter().map(|&score| Best { score, filter: 0 }).collect() };
        let healthy: Vec<Vec<Best>> = scores
            .chunks(shares.len())
            .map(|clip| best(&clip.iter().map(|x| 1.5 + 0.6 * x).collect::<Vec<_>>()))
            .collect();
        let limit = Limit::new(&healthy.iter().map(Vec::as_slice).collect::<Vec<_>>(), &shares);
        for clip in rows(&row["clips"]) {
            let got = limit.combine(&best(&numbers(&clip["best"])));
            assert_eq!(got.family, count(&clip["family"]), "{clip}");
            near("departure", got.departure, number(&clip["departure"]), 2e-6);
            relatively("false alarm", Some(got.false_alarm), number(&clip["false_alarm"]), 1e-5);
        }
    }
}

/// Kaplan-Meier against `scipy.stats.ecdf`; the first case is that of Freireich et al. 1963, in most survival textbooks.
#[test]
fn survival_of_parts() {
    for row in rows(&reference()["survival"]) {
        let life = |name: &str, ended: bool| -> Vec<Life> {
            numbers(&row[name]).into_iter().map(|length| Life { length, ended }).collect()
        };
        let curve = kaplan_meier(&[life("ended", true), life("running", false)].concat(), 0.95).unwrap();
        let column = |of: &dyn Fn(usize) -> f64| (0..curve.steps.len()).map(of).collect::<Vec<f64>>();
        let name = row["case"].to_string();
        same(&name, &column(&|i| curve.steps[i].at), &numbers(&row["at"]), 1e-12);
        same(&name, &column(&|i| curve.steps[i].survival), &numbers(&row["survival_array"]), 1e-12);
        for (bound, key) in ["low_array", "high_array"].into_iter().enumerate() {
            for (step, want) in curve.steps.iter().zip(numbers(&row[key])) {
                // scipy gives no interval (-1 here) where the last life at risk has ended.
                if want >= 0.0 {
                    near(&name, step.interval[bound], want, 1e-12);
                } else {
                    assert_eq!(step.ended, step.at_risk, "{name}");
                }
            }
        }
    }
}

#[test]
fn theil_sen_lines() {
    for row in rows(&reference()["lines"]) {
        let name = format!("{} at {}", row["case"], row["confidence"]);
        let (x, y) = (numbers(&row["x"]), numbers(&row["y"]));
        let line = robust::theil_sen(&x, &y, number(&row["confidence"]), 1.0).unwrap();
        near(&name, line.slope, number(&row["slope"]), 1e-12);
        near(&name, line.intercept, number(&row["intercept"]), 1e-11);
        near(&name, line.low, number(&row["low"]), 1e-12);
        near(&name, line.high, number(&row["high"]), 1e-12);
    }
}

/// Beyond 1500 points the slopes are counted instead of listed: the same digits.
#[test]
fn theil_sen_of_long_series() {
    for row in rows(&reference()["long_lines"]) {
        let n = count(&row["n"]);
        let x: Vec<f64> = (0..n).map(|i| i as f64 / 6.0).collect();
        let mut y: Vec<f64> =
            x.iter().zip(noise(n, seed(&row["seed"]))).map(|(x, e)| number(&row["rise"]) * x + e).collect();
        if let Some(step) = row["step"].as_f64() {
            y.iter_mut().for_each(|v| *v = (*v / step).round_ties_even() * step);
        }
        let line = robust::theil_sen(&x, &y, number(&row["confidence"]), 1.0).unwrap();
        let name = row["case"].to_string();
        near(&name, line.slope, number(&row["slope"]), 1e-13);
        near(&name, line.intercept, number(&row["intercept"]), 1e-11);
        near(&name, line.low, number(&row["low"]), 1e-13);
        near(&name, line.high, number(&row["high"]), 1e-13);
    }
}

#[test]
fn medians_and_quantiles() {
    for row in rows(&reference()["robust"]) {
        let x: Vec<f64> = noise(count(&row["n"]), seed(&row["seed"])).iter().map(|v| v * v * v).collect();
        near("median", robust::median(&x).unwrap(), number(&row["median"]), 1e-13);
        near("MAD", robust::mad(&x).unwrap(), number(&row["mad"]), 1e-13);
        let mut sorted = x.clone();
        sorted.sort_by(f64::total_cmp);
        for pair in rows(&row["quantiles"]) {
            near("quantile", robust::quantile_sorted(&sorted, number(&pair[0])).unwrap(), number(&pair[1]), 1e-13);
        }
    }
}

#[test]
fn distribution_tails() {
    // statrs' beta function carries about 12 digits, so 1e-10 is what is asked of the tail that stands on it.
    let all = &reference()["tails"];
    for r in rows(&all["normal"]) {
        relatively(&format!("normal {r}"), Some(robust::normal_tail(number(&r[0]))), number(&r[1]), 1e-13);
    }
    for r in rows(&all["t"]) {
        relatively(&format!("t {r}"), robust::t_tail(number(&r[0]), number(&r[1])), number(&r[2]), 1e-10);
    }
}

#[test]
fn distribution_quantiles() {
    let all = &reference()["tails"];
    // Near the middle a quantile passes through zero, where only absolute agreement means anything.
    let check = |what: String, got: Option<f64>, want: f64, tolerance: f64| {
        near(&what, got.unwrap(), want, tolerance * want.abs().max(1.0));
    };
    for r in rows(&all["normal_quantile"]) {
        check(format!("normal {r}"), robust::normal_upper_quantile(number(&r[0])), number(&r[1]), 1e-13);
    }
    for r in rows(&all["t_quantile"]) {
        check(format!("t {r}"), robust::t_upper_quantile(number(&r[0]), number(&r[1])), number(&r[2]), 1e-10);
    }
}

#[test]
fn band_pass_of_listen() {
    use seatsong::inside::capture::listen::BandFilter;
    for row in rows(&reference()["band_pass"]) {
        let rate = number(&row["rate_hz"]);
        let mut filter = BandFilter::new([number(&row["low_hz"]), number(&row["high_hz"])], rate).unwrap();
        // The answer to a single sample, long enough to have died away.
        let answer: Vec<f64> = (0..40_000).map(|i| filter.step(if i == 0 { 1.0 } else { 0.0 })).collect();
        for (freq, want) in numbers(&row["freq_hz"]).into_iter().zip(numbers(&row["level_db"])) {
            let (mut re, mut im) = (0.0, 0.0);
            for (n, h) in answer.iter().enumerate() {
                let w = std::f64::consts::TAU * freq / rate * n as f64;
                re += h * w.cos();
                im -= h * w.sin();
            }
            near("band pass", 10.0 * (re * re + im * im).log10(), want, 1e-6);
        }
    }
}
