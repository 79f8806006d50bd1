//! Against SciPy: tests/reference/scipy.json, made by make.py; the versions stand in the file.

use seatsong::robust;
use seatsong::spectrum::{self, Ends, Scaling, Window};
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

fn window(name: &Value) -> Window {
    match name.as_str().unwrap() {
        "rectangular" => Window::Rectangular,
        "triangular" => Window::Triangular,
        "hann" => Window::Hann,
        "hamming" => Window::Hamming,
        "blackman" => Window::Blackman,
        "blackman-harris" => Window::BlackmanHarris,
        other => panic!("unknown window {other}"),
    }
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

#[test]
fn window_samples() {
    for row in rows(&reference()["windows"]) {
        let ends = if row["symmetric"].as_bool().unwrap() { Ends::Symmetric } else { Ends::Periodic };
        let got = window(&row["window"]).samples(count(&row["n"]), ends);
        same(&row["window"].to_string(), &got, &numbers(&row["w_array"]), 1e-14);
    }
}

#[test]
fn window_figures() {
    for row in rows(&reference()["figures"]) {
        let w = window(&row["window"]).samples(count(&row["n"]), Ends::Periodic);
        let name = row["window"].to_string();
        relatively(&name, spectrum::coherent_gain(&w), number(&row["coherent_gain"]), 1e-12);
        relatively(&name, spectrum::enbw_bins(&w), number(&row["enbw_bins"]), 1e-12);
        relatively(&name, spectrum::scalloping_loss_db(&w), number(&row["scalloping_db"]), 1e-10);
        relatively(&name, spectrum::highest_side_lobe_db(&w, 64), number(&row["side_lobe_db"]), 1e-7);
    }
}

#[test]
fn welch_density() {
    let reference = reference();
    let rate = number(&reference["sample_rate_hz"]);
    for row in rows(&reference["welch"]) {
        let offset = number(&row["offset"]);
        let x: Vec<f64> = noise(count(&row["n"]), seed(&row["seed"])).iter().map(|v| v + offset).collect();
        let got = spectrum::welch(&x, rate, window(&row["window"]), count(&row["frame_len"])).unwrap();
        near("bin", got.bin_hz, number(&row["freq_step_hz"]), 1e-9);
        same(&row["window"].to_string(), &got.power, &numbers(&row["power_array"]), 1e-12);
    }
}

#[test]
fn short_time_powers() {
    let reference = reference();
    let rate = number(&reference["sample_rate_hz"]);
    for row in rows(&reference["frames"]) {
        let scaling = match row["scaling"].as_str().unwrap() {
            "density" => Scaling::Density,
            _ => Scaling::Power,
        };
        let x = noise(count(&row["n"]), seed(&row["seed"]));
        let (frame_len, hop_len) = (count(&row["frame_len"]), count(&row["hop_len"]));
        let got = spectrum::frame_powers(&x, rate, Window::Hann, frame_len, hop_len, scaling).unwrap();
        same("time", &got.time_s, &numbers(&row["time_s_array"]), 1e-12);
        let frames: Vec<&Value> = rows(&row["power_by_frame"]).collect();
        assert_eq!(frames.len(), got.power.ncols());
        for (i, frame) in frames.into_iter().enumerate() {
            same("powers", &got.power.column(i).to_vec(), &numbers(&frame["power_array"]), 1e-12);
        }
    }
}

#[test]
fn envelope_of_the_analytic_signal() {
    for row in rows(&reference()["envelopes"]) {
        let x = noise(count(&row["n"]), seed(&row["seed"]));
        same("envelope", &spectrum::envelope(&x), &numbers(&row["envelope_array"]), 1e-12);
    }
}

#[test]
fn theil_sen_lines() {
    for row in rows(&reference()["lines"]) {
        let name = format!("{} at {}", row["case"], row["confidence"]);
        let (x, y) = (numbers(&row["x"]), numbers(&row["y"]));
        let line = robust::theil_sen(&x, &y, number(&row["confidence"])).unwrap();
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
        let line = robust::theil_sen(&x, &y, number(&row["confidence"])).unwrap();
        let name = row["case"].to_string();
        near(&name, line.slope, number(&row["slope"]), 1e-13);
        near(&name, line.intercept, number(&row["intercept"]), 1e-11);
        near(&name, line.low, number(&row["low"]), 1e-13);
        near(&name, line.high, number(&row["high"]), 1e-13);
    }
}

#[test]
fn medians_quantiles_and_kurtosis() {
    for row in rows(&reference()["robust"]) {
        let x: Vec<f64> = noise(count(&row["n"]), seed(&row["seed"])).iter().map(|v| v * v * v).collect();
        near("median", robust::median(&x).unwrap(), number(&row["median"]), 1e-13);
        near("MAD", robust::mad(&x).unwrap(), number(&row["mad"]), 1e-13);
        for pair in rows(&row["quantiles"]) {
            near("quantile", robust::quantile(&x, number(&pair[0])).unwrap(), number(&pair[1]), 1e-13);
        }
        for pair in rows(&row["trimmed"]) {
            near("trimmed mean", robust::trimmed_mean(&x, number(&pair[0])).unwrap(), number(&pair[1]), 1e-13);
        }
        match row["kurtosis"].as_f64() {
            Some(want) => relatively("kurtosis", spectrum::kurtosis(&x), want, 1e-11),
            None => assert_eq!(spectrum::kurtosis(&x), None),
        }
    }
}

#[test]
fn distribution_tails() {
    // statrs' gamma and beta functions carry about 12 digits, so 1e-10 is what is asked of the tails that stand on them.
    let all = &reference()["tails"];
    for r in rows(&all["normal"]) {
        relatively(&format!("normal {r}"), Some(robust::normal_tail(number(&r[0]))), number(&r[1]), 1e-13);
    }
    for r in rows(&all["t"]) {
        relatively(&format!("t {r}"), robust::t_tail(number(&r[0]), number(&r[1])), number(&r[2]), 1e-10);
    }
    for r in rows(&all["chi2"]) {
        relatively(&format!("chi2 {r}"), robust::chi2_tail(number(&r[0]), number(&r[1])), number(&r[2]), 1e-10);
    }
    for r in rows(&all["gumbel"]) {
        let got = robust::gumbel_tail(number(&r[0]), number(&r[1]), number(&r[2]));
        relatively(&format!("gumbel {r}"), got, number(&r[3]), 1e-13);
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
    for r in rows(&all["chi2_quantile"]) {
        check(format!("chi2 {r}"), robust::chi2_upper_quantile(number(&r[0]), number(&r[1])), number(&r[2]), 1e-10);
    }
    for r in rows(&all["gumbel_quantile"]) {
        let got = robust::gumbel_upper_quantile(number(&r[0]), number(&r[1]), number(&r[2]));
        check(format!("gumbel {r}"), got, number(&r[3]), 1e-12);
    }
}

#[test]
fn band_pass_of_listen() {
    use seatsong::capture::listen::BandFilter;
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
