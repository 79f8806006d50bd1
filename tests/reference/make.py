#!/usr/bin/env python3
"""Makes the reference values that `cargo test --test outside` compares with: scipy.json.

usage: python make.py            writes scipy.json beside this file
       python make.py --check    recomputes and compares with the stored file; exit status 1 when something differs
needs: pip install numpy scipy

Inputs are made by the same small generator on both sides (`noise` here, `noise` in tests/outside/main.rs), so no signals are stored.
"""

import sys

import numpy as np
import scipy
from scipy import integrate, optimize, signal, stats

from common import main

# Bands of a stroke map (src/bands.rs): 32 from 100 Hz to 20 kHz, one ratio apart but never narrower than a line of a 512-sample frame at 48 kHz.
N_BAND, LOWEST_HZ, HIGHEST_HZ, NARROWEST_HZ = 32, 100.0, 20000.0, 93.75


def noise(n, seed):
    """White noise in -1..1: a 32-bit linear congruential generator (Numerical Recipes constants), value = state / 2^31 - 1."""
    out, state = [], seed
    for _ in range(n):
        state = (state * 1664525 + 1013904223) % 2**32
        out.append(state / 2.0**31 - 1.0)
    return np.array(out)


def band_pass():
    """A fourth-order Butterworth high-pass and a low-pass one after the other, as `listen` filters; levels in dB."""
    rows = []
    for rate, low, high in ((48000.0, 3200.0, 11000.0), (16000.0, 2000.0, 6000.0), (44100.0, 100.0, 400.0), (96000.0, 8000.0, 22000.0)):
        sos = np.vstack([
            signal.butter(4, low, "highpass", fs=rate, output="sos"),
            signal.butter(4, high, "lowpass", fs=rate, output="sos"),
        ])
        freq = np.array([low / 4, low / 2, low * 0.8, low, low * 1.2, (low * high) ** 0.5, high * 0.9, high, high * 1.1])
        _, h = signal.sosfreqz(sos, worN=freq, fs=rate)
        rows.append({
            "rate_hz": rate,
            "low_hz": low,
            "high_hz": high,
            "freq_hz": freq.tolist(),
            "level_db": (20 * np.log10(np.abs(h))).tolist(),
        })
    return rows


def band_levels():
    """Band powers of the frames of a stroke map by signal.periodogram, which knows nothing of bands: whole lines and shares of lines."""

    def edges_of(ratio):
        edges = [LOWEST_HZ]
        while len(edges) <= N_BAND:
            edges.append(edges[-1] + max(edges[-1] * (ratio - 1.0), NARROWEST_HZ))
        return np.array(edges)

    edges = edges_of(optimize.brentq(lambda ratio: edges_of(ratio)[-1] - HIGHEST_HZ, 1.0, 2.0, xtol=1e-15))
    rows = []
    for rate, n_fft in ((8000.0, 90), (16000.0, 180), (44100.0, 480), (48000.0, 512), (96000.0, 1024), (192000.0, 2048)):
        n = round(512 / 48000 * rate)
        x = noise(4 * n, int(rate)).astype(np.float32).astype(float)
        x += 0.5 * np.sin(2 * np.pi * 1234.5 * np.arange(len(x)) / rate)
        x = x.astype(np.float32).astype(float)
        usable = int(np.sum(edges[1:] <= 0.46 * rate))
        frames = []
        for frame in range(3):
            at = int(np.floor(frame * 0.005 * rate + 0.5))
            freq, density = signal.periodogram(x[at:at + n], rate, "hann", n_fft, detrend=False)
            step = freq[1]
            # A line stands for half a step to each side; a band takes the share of it that lies inside.
            share = [np.clip(np.minimum(b, freq + step / 2) - np.maximum(a, freq - step / 2), 0, None) / step
                     for a, b in zip(edges[:usable], edges[1:])]
            frames.append({"level_db": (10 * np.log10(np.array(share) @ (density * step))).tolist()})
        rows.append({"rate_hz": rate, "n": len(x), "seed": int(rate), "frames": frames})
    return {"edges_hz": edges.tolist(), "rates": rows}


def algebra():
    """The small linear systems that phase curve, nuisance, scoring and watching solve, and the leading eigenvectors of the strokes."""
    n = 12
    y, w = noise(n, 51), np.abs(noise(n, 52))
    second = np.diff(np.eye(n), 2, axis=0)
    smooth = np.linalg.solve(np.diag(w + 1e-9) + 7.5 * second.T @ second, w * y)
    m = 9
    d = noise(m * 40, 53).reshape(m, 40)
    ridge = 0.5 + np.abs(noise(m, 55))
    g = noise(m, 54)
    e, v, q = noise(20, 56), 0.2 + np.abs(noise(20, 57)), np.abs(noise(20, 58))
    design = np.column_stack([np.ones(20), q]) / np.sqrt(v)[:, None]
    nuisance = np.linalg.solve(design.T @ design + np.diag([1 / 4.0, 1 / 0.1]), design.T @ (e / np.sqrt(v)))
    # Leading eigenvectors well apart: the power iteration has a fixed number of rounds.
    a = noise(10 * 30, 59).reshape(10, 30) + 3.0 * np.outer(noise(10, 60), noise(30, 61)) + 1.5 * np.outer(noise(10, 62), noise(30, 63))
    values, vectors = np.linalg.eigh(a @ a.T)
    return {
        "smooth": {"n": n, "stiffness": 7.5, "z_array": smooth.tolist()},
        "ridged": {"m": m, "width": 40, "x_array": np.linalg.solve(d @ d.T + np.diag(ridge), g).tolist()},
        "nuisance": {"offset_var": 4.0, "floor_var": 0.1, "offset": float(nuisance[0]), "floor": float(nuisance[1])},
        "leading": {"n": 10, "width": 30, "values_array": values[::-1][:2].tolist(),
                    "first_array": (vectors[:, -1] * np.sign(vectors[0, -1])).tolist(),
                    "second_array": (vectors[:, -2] * np.sign(vectors[0, -2])).tolist()},
    }


def limits():
    """What src/score/limit.rs makes of healthy scores: a t tail of 14 degrees of freedom, and each family's best the largest of ten."""
    normal = stats.norm
    largest = [integrate.quad(lambda x, k=k: 10 * normal.cdf(x) ** 9 * normal.pdf(x) * x**k, -12, 12, epsabs=1e-13)[0] for k in (1, 2)]
    largest_mean, largest_sd = largest[0], (largest[1] - largest[0] ** 2) ** 0.5
    shares = np.array([0.6, 0.3, 0.1])
    rows = []
    for n in (3, 8, 24):
        # The wildest of many is brought in before it counts (own rule), so none is wild here.
        scores = 1.5 + 0.6 * noise(n * len(shares), 90 + n).reshape(n, len(shares))
        mean, count = scores.mean(axis=0), 30.0
        var = (count * 0.62**2 + ((scores - mean) ** 2).sum(axis=0)) / (count + n - 1) * (1 + 1 / n)
        scale = np.sqrt(var) / largest_sd
        location = mean - largest_mean * scale
        limit = location + scale * stats.t.isf(1 - (1 - 0.01 * shares) ** 0.1, 14)
        clips = []
        for score in (0.0, 2.0, 4.0, 6.0, 9.0):
            best = score + np.array([0.0, 0.3, -0.2])
            chance = (1 - (1 - stats.t.sf((best - location) / scale, 14)) ** 10) / shares
            family = int(np.argmin(chance))
            clips.append({
                "best": best.tolist(),
                "family": family,
                "false_alarm": float(np.clip(chance[family], 1e-4, 1)),
                "departure": float(max(0.0, 1 + (best[family] - limit[family]) / (7.1 * var[family] ** 0.5))),
            })
        rows.append({"n": n, "seed": 90 + n, "shares": shares.tolist(), "clips": clips})
    return {"largest_of_ten": [largest_mean, largest_sd], "rows": rows}


def survival():
    """Kaplan-Meier curves with the interval on the ln(-ln S) scale; lives of which about a third have not ended."""
    # Freireich et al. 1963: remission in weeks with the drug, as in most survival textbooks.
    cases = [("remission", [6, 6, 6, 7, 10, 13, 16, 22, 23], [6, 9, 10, 11, 17, 19, 20, 25, 32, 32, 34, 35])]
    for seed in (71, 72):
        x = np.floor(300 * (1.05 + noise(40, seed))) + 1
        gone = noise(40, seed + 10) > -0.4
        cases.append((f"seed {seed}", x[gone].tolist(), x[~gone].tolist()))
    rows = []
    for name, ended, running in cases:
        curve = stats.ecdf(stats.CensoredData(uncensored=ended, right=running)).sf
        interval = curve.confidence_interval(0.95, method="log-log")
        at = np.unique(ended)
        low, high = (np.where(np.isnan(side.evaluate(at)), -1.0, side.evaluate(at)) for side in (interval.low, interval.high))
        rows.append({"case": name, "ended": list(map(float, ended)), "running": list(map(float, running)), "at": at.tolist(),
                     "survival_array": curve.evaluate(at).tolist(), "low_array": low.tolist(), "high_array": high.tolist()})
    return rows


def lines():
    t = np.arange(1.0, 6.0)
    cases = [
        ("one wild value (S7)", t, np.array([1.2, 1.9, 3.2, 3.9, 20.0])),
        ("two points", np.array([0.0, 2.0]), np.array([1.0, 5.0])),
        ("noise about a slope", np.arange(40.0), 0.3 * np.arange(40.0) + 2.0 * noise(40, 5)),
        ("uneven x", np.cumsum(1.5 + noise(31, 6)), noise(31, 7)),
        ("ties in x", np.floor(np.arange(30.0) / 3.0), np.arange(30.0) * 0.1 + noise(30, 8)),
        ("many ties in y, some of them -0.0", np.cumsum(1.5 + noise(30, 10)), np.round(1.2 * noise(30, 11))),
        ("ties in both", np.floor(np.arange(24.0) / 2.0), np.round(3.0 * noise(24, 9))),
    ]
    rows = []
    for name, x, y in cases:
        for confidence in (0.9, 0.95):
            r = stats.theilslopes(y, x, confidence, method="separate")
            rows.append({"case": name, "x": x.tolist(), "y": y.tolist(), "confidence": confidence, "slope": float(r.slope),
                         "intercept": float(r.intercept), "low": float(r.low_slope), "high": float(r.high_slope)})
    return rows


def long_lines():
    """Too many points for a list of all slopes; inputs by noise() alone, so that nothing has to be stored."""
    rows = []
    for name, n, seed, rise, step in [
        ("noise", 1600, 21, 0.0, None),
        ("a slope", 2000, 22, 0.002, None),
        ("readings on a grid, with ties", 1800, 23, 0.001, 0.1),
    ]:
        x = np.arange(n) / 6.0
        y = rise * x + noise(n, seed)
        if step:
            y = np.round(y / step) * step
        r = stats.theilslopes(y, x, 0.95, method="separate")
        rows.append({"case": name, "n": n, "seed": seed, "rise": rise, "step": step, "confidence": 0.95, "slope": float(r.slope),
                     "intercept": float(r.intercept), "low": float(r.low_slope), "high": float(r.high_slope)})
    return rows


def robust():
    rows = []
    for n in (1, 2, 5, 6, 40, 101):
        x = noise(n, 1000 + n) ** 3
        rows.append({
            "n": n,
            "seed": 1000 + n,
            "median": float(np.median(x)),
            "mad": float(stats.median_abs_deviation(x)),
            "quantiles": [[p, float(np.quantile(x, p))] for p in (0.0, 0.01, 0.1, 0.25, 0.5, 0.77, 0.9, 0.99, 1.0)],
        })
    return rows


def tails():
    dfs = [1.0, 2.0, 3.0, 4.5, 7.0, 10.0, 30.0, 100.0, 1000.0]
    chances = [0.9, 0.5, 0.1, 0.05, 0.025, 0.01, 0.005, 0.00135, 1e-4, 1e-6, 1e-9, 1e-12]
    return {
        "normal": [[x, float(stats.norm.sf(x))] for x in (-8.0, -2.0, 0.0, 0.5, 1.0, 2.326, 3.0, 5.0, 8.0, 12.0, 20.0, 37.0)],
        "normal_quantile": [[q, float(stats.norm.isf(q))] for q in chances + [1e-20, 1e-100, 1e-300]],
        "t": [[x, df, float(stats.t.sf(x, df))] for df in dfs for x in (-5.0, -0.3, 0.0, 0.2, 1.0, 2.5, 6.0, 15.0, 40.0)],
        "t_quantile": [[q, df, float(stats.t.isf(q, df))] for df in dfs for q in chances],
    }


def values():
    return {
        "made_by": "tests/reference/make.py",
        "versions": {"numpy": np.__version__, "scipy": scipy.__version__},
        "band_pass": band_pass(),
        "band_levels": band_levels(),
        "algebra": algebra(),
        "limits": limits(),
        "survival": survival(),
        "lines": lines(),
        "long_lines": long_lines(),
        "robust": robust(),
        "tails": tails(),
    }


if __name__ == "__main__":
    sys.exit(main("scipy.json", values(), rel=1e-9))
