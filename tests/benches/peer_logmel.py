#!/usr/bin/env python3
"""The yardstick: what one gets by putting general-purpose audio and learning libraries together, without knowing about strokes.

A clip becomes the log-mel statistics of its whole length (mean, spread, quiet and loud tenth of each mel band, overall level taken
off); its departure is the distance to the nearest known-good clip over the largest such distance among the good clips themselves.
So 1.0 means "as far out as the oddest good clip", and no limit with a known chance can be had from eight clips this way.

usage: python tests/benches/peer_logmel.py JOBS.json > RESULT.json
needs: pip install numpy scipy soundfile librosa scikit-learn

JOBS.json    [{"good": ["a.wav", ...], "now": ["x.wav", ...]}, ...]     two good clips or more in each job
RESULT.json  [[departure, ...], ...]     one list a job, in the order of its "now"

`cargo run --release --example trial -- --peer` calls it on the clips of the trial.
"""

import json
import sys
from functools import lru_cache

import librosa
import numpy as np
import soundfile
from sklearn.neighbors import NearestNeighbors

N_FFT, HOP, N_MELS = 1024, 512, 64
# Below this spread (dB) a band of the good clips counts as this spread: eight clips may agree by luck.
LEAST_SPREAD_DB = 0.3


@lru_cache(maxsize=None)  # good clips recur from job to job
def vector(path):
    """Statistics of a clip's first channel: shape (4 * N_MELS,), dB re the clip's median level."""
    samples, rate = soundfile.read(path, dtype="float32", always_2d=True)
    mel = librosa.feature.melspectrogram(y=samples[:, 0], sr=rate, n_fft=N_FFT, hop_length=HOP, n_mels=N_MELS, power=2.0)
    level = librosa.power_to_db(mel, ref=1.0, top_db=None)
    level -= np.median(level)
    return np.concatenate([level.mean(axis=1), level.std(axis=1), np.percentile(level, 10, axis=1), np.percentile(level, 90, axis=1)])


def distances(good, now):
    """Distance from each row of `now` to its nearest row of `good`, columns scaled by the spread of `good`."""
    centre, spread = good.mean(axis=0), good.std(axis=0) + LEAST_SPREAD_DB
    nearest = NearestNeighbors(n_neighbors=1).fit((good - centre) / spread)
    return nearest.kneighbors((now - centre) / spread)[0][:, 0]


def departures(job):
    """Departure of each clip of `now`, 1.0 = the largest leave-one-out distance among the good clips."""
    good = np.array([vector(path) for path in job["good"]])
    now = np.array([vector(path) for path in job["now"]])
    among_good = [distances(np.delete(good, i, axis=0), good[i:i + 1])[0] for i in range(len(good))]
    return (distances(good, now) / max(among_good)).tolist()


def main():
    if len(sys.argv) != 2:
        sys.exit("usage: python peer_logmel.py JOBS.json > RESULT.json")
    with open(sys.argv[1], encoding="utf-8") as file:
        jobs = json.load(file)
    json.dump([departures(job) for job in jobs], sys.stdout)


if __name__ == "__main__":
    main()
