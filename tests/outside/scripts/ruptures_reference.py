"""Writes data/ruptures.json: signals and the breakpoints ruptures finds in them.

Run with numpy and ruptures installed:  python ruptures_reference.py
The signals are rounded to what a logger would write, so the JSON carries them exactly.
"""

import json
import pathlib
from importlib.metadata import version

import numpy as np
import ruptures

rng = np.random.default_rng(20240517)


def volts(n, ends, levels, sigma, step):
    x = np.empty(n)
    for start, end, level in zip([0, *ends], [*ends, n], levels):
        x[start:end] = level
    x = x + sigma * rng.standard_normal(n)
    return np.round(np.round(x / step) * step, 6)


def recovering(n):
    """Voltage-like: load steps that sag and come part of the way back, on a 0.01 grid."""
    t = np.arange(n) / 20.0
    x = np.full(n, 14.35)
    for at, sag, shift in [(6.0, 0.8, 0.25), (13.0, 0.6, 0.15), (21.0, -0.5, -0.4)]:
        later = t >= at
        x[later] -= shift + (sag - shift) * np.exp(-(t[later] - at) / 0.4)
    x = x + 0.02 * rng.standard_normal(n)
    return np.round(x, 2)


def walk(n):
    x = np.cumsum(0.02 * rng.standard_normal(n)) + 13.8
    return np.round(x, 3)


signals = [
    ("two clear steps", volts(300, [110, 190], [14.4, 13.9, 14.3], 0.03, 0.001), 0.02, 2),
    ("voltage on a 0.05 grid", volts(600, [150, 151, 400], [14.4, 12.9, 14.1, 13.6], 0.02, 0.05), 0.05, 1),
    ("voltage that sags and recovers", recovering(560), 0.03, 5),
    ("voltage that sags and recovers, cheap", recovering(560), 0.004, 3),
    ("no change", volts(500, [], [14.4], 0.04, 0.001), 0.02, 2),
    ("many small steps", volts(700, list(range(50, 700, 50)), [14.4 - 0.07 * (k % 3) for k in range(14)], 0.03, 0.001), 0.012, 10),
    ("drift", walk(400), 0.01, 4),
    ("short", np.array([14.2, 14.3, 14.1, 13.2, 13.3, 13.1, 13.2]), 0.05, 2),
]

out = {
    "source": f"ruptures {version('ruptures')}, Pelt(model='l2', jump=1); numpy {np.__version__}",
    "signals": [],
}
for name, x, penalty, min_size in signals:
    found = ruptures.Pelt(model="l2", min_size=min_size, jump=1).fit(x).predict(pen=penalty)
    robust = ruptures.Pelt(model="l1", min_size=min_size, jump=1).fit(x).predict(pen=10 * penalty)
    coarse = ruptures.Pelt(model="l2", min_size=min_size, jump=5).fit(x).predict(pen=penalty)
    out["signals"].append(
        {
            "name": name,
            "penalty": penalty,
            "min_size": min_size,
            "breakpoints": [int(b) for b in found],
            "breakpoints_jump_5": [int(b) for b in coarse],
            "breakpoints_l1_at_ten_penalties": [int(b) for b in robust],
            "values": [float(v) for v in x],
        }
    )
    print(name, len(x), found, coarse, robust)

path = pathlib.Path(__file__).parent.parent / "data" / "ruptures.json"
path.write_text(json.dumps(out, separators=(",", ":")) + "\n")
