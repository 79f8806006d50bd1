#!/usr/bin/env python3
"""The steps of `seatsong compare` written plainly in numpy and scipy, to compare the cost of a whole run with.

Reads the clips, makes band levels, finds the stroke rate, follows the phase, makes stroke maps and the ways in which strokes
differ, models the good ones, scores the new ones with a bank of hiss templates against a leave-one-out limit. Vectorised where
numpy allows; no second rhythm, no words, no pictures, and a crude limit: it does less than the program, not more.

usage: python tests/benches/plain_compare.py --good A.wav --good B.wav ... --now C.wav [--spm N]
needs: pip install numpy scipy
"""

import argparse
import json
import warnings

import numpy as np
from scipy import ndimage, stats
from scipy.io import wavfile

N_BAND, N_ANGLE = 32, 72
LOW_HZ, HIGH_HZ = 100.0, 20_000.0
WINDOW_S, HOP_S = 0.010, 0.005


def read(path):
    """First channel in -1..1 and its sample rate."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", wavfile.WavFileWarning)
        rate, x = wavfile.read(path)
    x = x if x.ndim == 1 else x[:, 0]
    if np.issubdtype(x.dtype, np.integer):
        x = (x.astype(np.float32) - (128.0 if x.dtype == np.uint8 else 0.0)) / np.float32(128.0 if x.dtype == np.uint8 else -float(np.iinfo(x.dtype).min))
    return x.astype(np.float32, copy=False), float(rate)


def band_levels(x, rate, top_hz):
    """Band levels in dB, shape (n_frame, N_BAND), and the frame rate in Hz."""
    frame, hop = int(WINDOW_S * rate), int(HOP_S * rate)
    frames = np.lib.stride_tricks.sliding_window_view(x, frame)[::hop]
    power = np.abs(np.fft.rfft(frames * np.hanning(frame).astype(np.float32), axis=1)) ** 2
    edges = np.geomspace(LOW_HZ, top_hz, N_BAND + 1) * frame / rate
    bins = np.arange(power.shape[1])
    # Share of each bin (one bin wide about its centre) in each band.
    share = np.clip(np.minimum(bins + 0.5, edges[1:, None]) - np.maximum(bins - 0.5, edges[:-1, None]), 0.0, 1.0)
    return 10.0 * np.log10(power @ share.T + 1e-12), rate / hop


def stroke_rate(levels, frame_rate, spm):
    """Crank turns a second: the candidate whose harmonics stand out most from the floor of the modulation spectrum."""
    n_fft = 1 << int(np.ceil(np.log2(8 * len(levels))))
    modulation = levels - levels.mean(axis=0)
    spectrum = (np.abs(np.fft.rfft(modulation * np.hanning(len(levels))[:, None], n_fft, axis=0)) ** 2).sum(axis=1)
    spectrum = spectrum / ndimage.median_filter(spectrum, 1001) - 1.0
    low, high = (20.0, 160.0) if spm is None else (0.85 * spm, 1.15 * spm)
    candidates = np.arange(low, high, 0.01) / 60.0
    freq = np.arange(len(spectrum)) * frame_rate / n_fft
    best, best_score = None, -np.inf
    top = 25.0
    for f in candidates:
        harmonics = np.arange(1, int(top / f) + 1) * f
        score = np.minimum(np.interp(harmonics, freq, spectrum), 300.0).sum() / np.sqrt(len(harmonics))
        if score > best_score:
            best, best_score = f, score
    return best


def binned(levels, turns):
    """Mean of the levels in each angle bin, shape (N_ANGLE, N_BAND)."""
    at = (np.floor(turns * N_ANGLE) % N_ANGLE).astype(int)
    sums = np.zeros((N_ANGLE, levels.shape[1]))
    np.add.at(sums, at, levels)
    count = np.bincount(at, minlength=N_ANGLE)[:, None]
    return np.where(count > 0, sums / np.maximum(count, 1), levels.mean(axis=0))


def lag(pattern, reference):
    """Turn by which `pattern` comes later than `reference`, in bins with fractions, by circular correlation over all bands."""
    a, b = (np.fft.rfft(m - m.mean(axis=0), axis=0) for m in (pattern, reference))
    # Eight times finer than the bins, by padding the product.
    c = np.fft.irfft((a * b.conj()).sum(axis=1), 8 * N_ANGLE)
    k = int(np.argmax(c)) / 8.0
    return (k + N_ANGLE / 2) % N_ANGLE - N_ANGLE / 2


def follow(levels, frame_rate, turn_hz):
    """Turns since the start for each frame: segments of four strokes against the mean map, smoothed."""
    turns = np.arange(len(levels)) / frame_rate * turn_hz
    segment = int(4.0 / turn_hz * frame_rate)
    starts = np.arange(0, len(levels) - segment + 1, max(segment // 2, 1))
    for _ in range(3):
        mean = binned(levels, turns)
        lags = np.array([lag(binned(levels[s:s + segment], turns[s:s + segment]), mean) for s in starts]) / N_ANGLE
        lags = ndimage.gaussian_filter1d(ndimage.median_filter(lags, 3, mode="nearest"), 1.0, mode="nearest")
        turns = turns - np.interp(np.arange(len(levels)), starts + segment / 2, lags)
    return turns


def stroke_map(path, spm, top_hz):
    """Level in dB over angle and band, a trimmed mean over strokes: shape (N_ANGLE, N_BAND); the strokes a minute; and the swings."""
    x, rate = read(path)
    levels, frame_rate = band_levels(x, rate, top_hz)
    turns = follow(levels, frame_rate, stroke_rate(levels, frame_rate, spm))
    stroke = np.floor(turns).astype(int)
    cell = (stroke - stroke.min()) * N_ANGLE + (np.floor(turns * N_ANGLE) % N_ANGLE).astype(int)
    n_cell = (stroke.max() - stroke.min() + 1) * N_ANGLE
    count = np.bincount(cell, minlength=n_cell)
    sums = np.stack([np.bincount(cell, levels[:, b], n_cell) for b in range(levels.shape[1])], axis=1)
    with np.errstate(invalid="ignore"):
        strokes = (sums / count[:, None]).reshape(-1, N_ANGLE, levels.shape[1])[1:-1]
    strokes = np.where(np.isnan(strokes), np.nanmean(strokes, axis=0), strokes)
    seconds = len(levels) / frame_rate
    return stats.trim_mean(strokes, 0.2, axis=0), 60.0 * (turns[-1] - turns[0]) / seconds, swings(strokes)


def swings(strokes):
    """The four main ways in which strokes differ, in dB for a stroke one standard deviation off: shape (4, N_ANGLE, N_BAND)."""
    off = strokes - strokes.mean(axis=0)
    off = ndimage.uniform_filter(off - off.mean(axis=1, keepdims=True), (1, 2, 2), mode="wrap").reshape(len(off), -1)
    deviation = off.std(axis=0) + 1e-6
    _, size, ways = np.linalg.svd(off / deviation, full_matrices=False)
    size = np.sqrt(np.maximum(size[:4] ** 2 - np.mean(size[4:] ** 2), 0.0) / len(off))
    return (size[:, None] * ways[:4] * deviation).reshape(-1, *strokes.shape[1:])


def without_ways(residual, spread, ways):
    """A residual less what the good clips' strokes do by themselves: the five main ways, with a ridge."""
    _, size, main = np.linalg.svd((ways / spread).reshape(len(ways), -1), full_matrices=False)
    main = size[:5, None] * main[:5]
    z = (residual / spread).ravel()
    strength = np.linalg.solve(main @ main.T + 30.0 * np.eye(len(main)), main @ z)
    return (z - strength @ main).reshape(residual.shape) * spread


def contrast(m):
    """What is left of a map without gain and without the tone colour that is the same all round the turn."""
    return m - m.mean(axis=0)


def aligned(m, reference):
    return np.roll(m, -int(round(lag(m, reference))), axis=0)


def score(residual, spread):
    """Best of a bank of one-sided hiss templates: every arc of 30 to 240 degrees by every range of 4 bands or more."""
    z = residual / spread
    n_band = z.shape[1]
    wrapped = np.concatenate([z, z], axis=0)
    area = np.pad(wrapped.cumsum(axis=0).cumsum(axis=1), ((1, 0), (1, 0)))
    best = -np.inf
    for width in range(6, 49, 6):
        arc = area[width:width + N_ANGLE] - area[:N_ANGLE]
        for n in range(4, n_band + 1, 4):
            total = arc[:, n:] - arc[:, :-n]
            best = max(best, float(total.max()) / np.sqrt(width * n))
    return best


def model(maps):
    """Mean and spread of good maps; the spread of each cell shrunk half-way to that of its band."""
    mean = maps.mean(axis=0)
    variance = maps.var(axis=0, ddof=1)
    return mean, np.sqrt(0.5 * variance + 0.5 * variance.mean(axis=0)) + 0.05


def main():
    parser = argparse.ArgumentParser(description=__doc__.split("\n\n")[0])
    parser.add_argument("--good", action="append", required=True)
    parser.add_argument("--now", action="append", required=True)
    parser.add_argument("--spm", type=float)
    args = parser.parse_args()
    if len(args.good) < 3:
        parser.error("three good clips are the least")
    top_hz = min(HIGH_HZ, 0.48 * min(read(p)[1] for p in args.good + args.now))
    good = [stroke_map(p, args.spm, top_hz) for p in args.good]
    reference = good[0][0]
    turns = [int(round(lag(m, reference))) for m, _, _ in good]
    maps = np.array([contrast(np.roll(m, -t, axis=0)) for (m, _, _), t in zip(good, turns)])
    ways = np.array([np.roll(w, -t, axis=1) for (_, _, w), t in zip(good, turns)]) / np.sqrt(len(good))
    left_out = []
    for i in range(len(maps)):
        mean, spread = model(np.delete(maps, i, axis=0))
        others = np.concatenate(np.delete(ways, i, axis=0))
        left_out.append(score(without_ways(maps[i] - mean, spread, others), spread))
    # 99 % of a normal distribution fitted to the leave-one-out scores.
    limit = np.mean(left_out) + stats.t.ppf(0.99, len(left_out) - 1) * np.std(left_out, ddof=1) * np.sqrt(1 + 1 / len(left_out))
    mean, spread = model(maps)
    results = []
    for path in args.now:
        m, spm, _ = stroke_map(path, args.spm, top_hz)
        residual = without_ways(contrast(aligned(m, mean)) - mean, spread, np.concatenate(ways))
        results.append({"file": path, "spm": round(spm, 3), "departure": score(residual, spread) / limit})
    print(json.dumps(results))


if __name__ == "__main__":
    main()
