#!/usr/bin/env python3
"""Reads the Parquet files of an export with pyarrow and compares every cell with the CSV files of the same book.

usage: python parquet.py PROGRAM      PROGRAM: the built seatsong, such as target/debug/seatsong
needs: pip install pyarrow; exit status 1 when something differs

The Rust side reads its own files back with the parquet crate that wrote them; this is another program's word.
"""

import csv
import pathlib
import shlex
import subprocess
import sys
import tempfile

import pyarrow.parquet

# What a crew enters on one day: enough for rows in the tables that take text, whole and real numbers, and empty cells.
ENTRIES = [
    "book new",
    "pump add MP-1 --stroke 12in --liner 6in=3500psi --fitted 6in",
    "pump add MP-2 --stroke 305mm --units si",
    "round start --pump MP-1 --spm 72 --at 2026-02-01T06:00Z --remarks 'said \"fine\", then left'",
    "concern add 'relief line bracket loose' --pump MP-2",
    "concern close 1 'bracket welded' --by welder",
    "concern add 'rail by the stairs'",
    "part change 2 seat discharge --pump MP-1 --at 2026-02-01T07:00Z",
    "part change 2 seat discharge --pump MP-1 --at 2026-02-02T07:00Z --why washed --condition 'cut at 4 o clock'",
    "part hours 10.5 --pump MP-1 --from 2026-02-01T06:00Z --to 2026-02-01T18:00Z",
    "work start 'module 2, discharge seat' --pump MP-1",
]


def main():
    program = pathlib.Path(sys.argv[1]).resolve()
    with tempfile.TemporaryDirectory() as home:
        for entry in ENTRIES:
            subprocess.run([program, *shlex.split(entry)], cwd=home, check=True, stdout=subprocess.DEVNULL)
        for kind in ("csv", "parquet"):
            subprocess.run([program, "export", "out", "--format", kind], cwd=home, check=True, stdout=subprocess.DEVNULL)
        out = pathlib.Path(home, "out")
        files = sorted(out.glob("*.parquet"))
        rows = wrong = 0
        for path in files:
            table = pyarrow.parquet.read_table(path)
            with open(path.with_suffix(".csv"), newline="", encoding="utf-8") as text:
                names, *want = list(csv.reader(text))
            if table.column_names != names or table.num_rows != len(want):
                print(f"{path.name}: columns or rows differ from the CSV", file=sys.stderr)
                wrong += 1
                continue
            rows += table.num_rows
            for k, (got, said) in enumerate(zip(table.to_pylist(), want)):
                for name, cell in zip(names, said):
                    value = got[name]
                    same = cell == "" if value is None else (value == cell if isinstance(value, str) else float(cell) == value)
                    if not same:
                        print(f"{path.name}, row {k + 1}, {name}: {value!r}, the CSV says {cell!r}", file=sys.stderr)
                        wrong += 1
        if len(files) < 15 or rows < 15:
            print(f"only {len(files)} tables with {rows} rows: nothing was tested", file=sys.stderr)
            return 1
        print(f"pyarrow {pyarrow.__version__}: {len(files)} tables, {rows} rows, {wrong} differences")
        return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
