#!/usr/bin/env python3
"""A real measured slow beat for the stroke-rate estimator: pulse at a finger, from the sample data of the `heartpy` package.

usage: python ppg.py            writes ppg.json beside this file
       python ppg.py --check    recomputes and compares with the stored file; exit status 1 when something differs
needs: pip install numpy scipy matplotlib "setuptools<81" heartpy==1.2.7    (heartpy imports pkg_resources, gone from newer setuptools)

The excerpts are those minutes of the sample data in which heartpy accepts every beat that it finds, so that its rate is the plain
count of beats over time. `bpm` is heartpy's own answer for exactly the samples stored. Licence of data and package: heartpy.LICENSE.
"""

import sys
import warnings
from importlib.metadata import version

import numpy as np

from common import main

warnings.filterwarnings("ignore")
import heartpy  # noqa: E402  (warns about pkg_resources when imported)


def excerpts():
    short, _ = heartpy.load_exampledata(0)
    yield "heartpy/data/data.csv", 100.0, short, [(0.0, len(short) / 100.0)]
    long, stamps = heartpy.load_exampledata(2)
    rate = float(heartpy.get_samplerate_datetime(stamps, timeformat="%Y-%m-%d %H:%M:%S.%f"))
    yield "heartpy/data/data3.csv", rate, long, [(0.0, 60.0), (60.0, 60.0), (240.0, 60.0)]


def values():
    rows = []
    for file, rate, data, spans in excerpts():
        for start_s, length_s in spans:
            start = int(start_s * rate)
            x = np.asarray(data[start:start + int(length_s * rate)])
            working, measures = heartpy.process(x, rate)
            if len(working["removed_beats"]):
                sys.exit(f"{file} from {start_s} s: heartpy rejects beats, the excerpt is not clean")
            rows.append({
                "source": file,
                "start_s": start_s,
                "sample_rate_hz": rate,
                "bpm": float(measures["bpm"]),
                "beats": len(working["peaklist"]),
                "sdnn_ms": float(measures["sdnn"]),
                "samples": [int(v) for v in x],
            })
    names = ("heartpy", "numpy", "scipy")
    return {"made_by": "tests/reference/ppg.py", "versions": {n: version(n) for n in names}, "excerpts": rows}


if __name__ == "__main__":
    sys.exit(main("ppg.json", values(), rel=1e-6))
