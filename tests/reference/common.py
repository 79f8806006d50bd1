"""What the scripts of this folder share: writing a JSON file of reference values, and checking one against fresh values."""

import json
import math
import sys
from pathlib import Path

HERE = Path(__file__).parent


def differences(old, new, rel, path=""):
    """Yields a line for every place where `new` is not `old` within `rel` (relative) or 1e-300 (absolute)."""
    if isinstance(old, dict) and isinstance(new, dict):
        for key in sorted(old.keys() | new.keys()):
            if key in ("versions", "python"):
                continue  # said aloud by main(), not compared
            if key not in old or key not in new:
                yield f"{path}.{key}: only on one side"
            else:
                yield from differences(old[key], new[key], rel, f"{path}.{key}")
    elif isinstance(old, list) and isinstance(new, list):
        if len(old) != len(new):
            yield f"{path}: {len(old)} values stored, {len(new)} computed"
        else:
            # Values of one list are judged against the largest of them: a bin where a spectrum cancels has no digits of its own.
            numbers = [abs(v) for v in old if isinstance(v, float)]
            scale = max(numbers, default=0.0) if path.endswith("_array") else 0.0
            for i, (a, b) in enumerate(zip(old, new)):
                if isinstance(a, float) and isinstance(b, float) and scale:
                    if not abs(a - b) <= rel * scale:
                        yield f"{path}[{i}]: {a!r} stored, {b!r} computed"
                else:
                    yield from differences(a, b, rel, f"{path}[{i}]")
    elif isinstance(old, (int, float)) and isinstance(new, (int, float)) and not isinstance(old, bool):
        if not math.isclose(old, new, rel_tol=rel, abs_tol=1e-300):
            yield f"{path}: {old!r} stored, {new!r} computed"
    elif old != new:
        yield f"{path}: {old!r} stored, {new!r} computed"


def main(name, values, rel):
    """Writes `values` to the file `name` beside the scripts, or with --check compares them with it; returns the exit status."""
    file = HERE / name
    if sys.argv[1:] == ["--check"]:
        stored = json.loads(file.read_text())
        # Through JSON and back, so that both sides hold the same kinds of values.
        found = list(differences(stored, json.loads(json.dumps(values)), rel))
        print(f"{name}: made with {stored['versions']}, compared with {values['versions']}")
        for line in found[:20]:
            print("  ", line)
        print(f"{name}: {'agrees' if not found else f'{len(found)} values differ'} (relative tolerance {rel})")
        return 1 if found else 0
    if sys.argv[1:]:
        print("usage: python FILE.py [--check]", file=sys.stderr)
        return 2
    # One line a key: short enough to page through, and a change shows where it is.
    lines = (f"{json.dumps(key)}: {json.dumps(value, allow_nan=False, separators=(',', ':'))}" for key, value in values.items())
    file.write_text("{\n" + ",\n".join(lines) + "\n}\n")
    print(f"wrote {file}")
    return 0
