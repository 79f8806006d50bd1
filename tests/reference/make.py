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
from scipy import signal, stats

from common import main

RATE = 8000.0


def noise(n, seed):
    """White noise in -1..1: a 32-bit linear congruential generator (Numerical Recipes constants), value = state / 2^31 - 1."""
    out, state = [], seed
    for _ in range(n):
        state = (state * 1664525 + 1013904223) % 2**32
        out.append(state / 2.0**31 - 1.0)
    return np.array(out)


WINDOWS = {
    "rectangular": "boxcar",
    "triangular": "triang",
    "hann": "hann",
    "hamming": "hamming",
    "blackman": "blackman",
    "blackman-harris": "blackmanharris",
}


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


def windows():
    rows = []
    for name, scipy_name in WINDOWS.items():
        for n in (15, 16):
            for sym in (False, True):
                w = signal.get_window(scipy_name, n, fftbins=not sym)
                rows.append({"window": name, "n": n, "symmetric": sym, "w_array": w.tolist()})
    return rows


def figures():
    rows = []
    for name, scipy_name in WINDOWS.items():
        n, pad = 4096, 64
        w = signal.get_window(scipy_name, n, fftbins=True)
        power = np.abs(np.fft.rfft(w, n * pad)) ** 2
        first_rise = np.argmax(np.diff(power) > 0)
        half_bin = abs(np.sum(w * np.exp(-1j * np.pi * np.arange(n) / n)))
        rows.append({
            "window": name,
            "n": n,
            "coherent_gain": float(w.mean()),
            "enbw_bins": float(n * np.sum(w**2) / np.sum(w) ** 2),
            "scalloping_db": float(-20 * np.log10(half_bin / w.sum())),
            "side_lobe_db": float(10 * np.log10(power[first_rise:].max() / power[0])),
        })
    return rows


def spectra():
    welch, frames = [], []
    for seed, (name, scipy_name) in enumerate(WINDOWS.items(), start=1):
        for n_frame in (255, 256):
            x = noise(3001, seed) + 0.25  # an offset, to see that no mean is taken off
            f, p = signal.welch(x, RATE, scipy_name, n_frame, detrend=False)
            welch.append({"window": name, "n": len(x), "seed": seed, "offset": 0.25, "frame_len": n_frame,
                          "freq_step_hz": float(f[1]), "power_array": p.tolist()})
    for scaling in ("density", "spectrum"):
        for n_frame, hop in ((32, 8), (31, 13)):
            x = noise(200, 77)
            f, t, p = signal.spectrogram(x, RATE, "hann", n_frame, n_frame - hop, detrend=False, scaling=scaling, mode="psd")
            frames.append({"n": len(x), "seed": 77, "frame_len": n_frame, "hop_len": hop, "scaling": scaling,
                           "time_s_array": t.tolist(), "power_by_frame": [{"power_array": c.tolist()} for c in p.T]})
    return welch, frames


def envelopes():
    return [{"n": n, "seed": n, "envelope_array": np.abs(signal.hilbert(noise(n, n))).tolist()} for n in (1, 2, 3, 64, 65, 501)]


def lines():
    t = np.arange(1.0, 6.0)
    cases = [
        ("one wild value (CHECKS.md S7)", t, np.array([1.2, 1.9, 3.2, 3.9, 20.0])),
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
            "trimmed": [[c, float(stats.trim_mean(x, c))] for c in (0.0, 0.1, 0.25, 0.4)],
            "kurtosis": float(stats.kurtosis(x, fisher=False)) if n > 1 else None,
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
        "chi2": [[x, df, float(stats.chi2.sf(x, df))] for df in dfs for x in (0.01, 0.5, 1.0, 3.0, 10.0, 50.0, 200.0, 1200.0)],
        "chi2_quantile": [[q, df, float(stats.chi2.isf(q, df))] for df in dfs for q in chances],
        "gumbel": [[x, 1.5, 0.7, float(stats.gumbel_r.sf(x, 1.5, 0.7))] for x in (-1.0, 0.0, 1.5, 3.0, 8.0, 20.0, 100.0)],
        "gumbel_quantile": [[q, 1.5, 0.7, float(stats.gumbel_r.isf(q, 1.5, 0.7))] for q in chances],
    }


def values():
    welch, frames = spectra()
    return {
        "made_by": "tests/reference/make.py",
        "versions": {"numpy": np.__version__, "scipy": scipy.__version__},
        "sample_rate_hz": RATE,
        "band_pass": band_pass(),
        "windows": windows(),
        "figures": figures(),
        "welch": welch,
        "frames": frames,
        "envelopes": envelopes(),
        "lines": lines(),
        "long_lines": long_lines(),
        "robust": robust(),
        "tails": tails(),
    }


if __name__ == "__main__":
    sys.exit(main("scipy.json", values(), rel=1e-9))
