"""Writes data/ruptures.json: signals and the breakpoints ruptures finds in them.

Run with numpy and ruptures installed:  python ruptures_reference.py
Each segment has its own straight line (CostLinear on a constant and the sample number). The signals
are rounded to what a logger would write, so the JSON carries them exactly; the last one is the yearly
flow of the Nile at Aswan, 1871 to 1970 (Cobb, Biometrika 65, 1978; as shipped by statsmodels).
"""

import json
import pathlib
from importlib.metadata import version

import numpy as np
import ruptures
from statsmodels.datasets import nile

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
    ("two clear steps", volts(300, [110, 190], [14.4, 13.9, 14.3], 0.03, 0.001), 0.05, 3),
    ("voltage on a 0.05 grid", volts(600, [150, 155, 400], [14.4, 12.9, 14.1, 13.6], 0.02, 0.05), 0.05, 3),
    ("voltage that sags and recovers", recovering(560), 0.03, 5),
    ("voltage that sags and recovers, cheap", recovering(560), 0.01, 4),
    ("no change", volts(500, [], [14.4], 0.04, 0.001), 0.05, 3),
    ("many small steps", volts(700, list(range(50, 700, 50)), [14.4 - 0.2 * (k % 3) for k in range(14)], 0.03, 0.001), 0.03, 10),
    ("drift", walk(400), 0.01, 4),
    ("short", np.array([14.2, 14.3, 14.1, 13.2, 13.3, 13.1, 13.2]), 0.05, 3),
    ("Nile", nile.load_pandas().data["volume"].to_numpy(), 200_000.0, 5),
]

out = {
    "source": f"ruptures {version('ruptures')}, Pelt(model='linear'); numpy {np.__version__}",
    "signals": [],
}
for name, x, penalty, min_size in signals:
    on_a_line = np.column_stack([x, np.ones(len(x)), np.arange(len(x))])

    def found(jump):
        search = ruptures.Pelt(model="linear", min_size=min_size, jump=jump)
        return [int(b) for b in search.fit(on_a_line).predict(pen=penalty)]

    out["signals"].append(
        {
            "name": name,
            "penalty": penalty,
            "min_size": min_size,
            "breakpoints": found(1),
            "breakpoints_jump_5": found(5),
            "values": [float(v) for v in x],
        }
    )
    print(name, len(x), found(1), found(5))

path = pathlib.Path(__file__).parent.parent / "data" / "ruptures.json"
path.write_text(json.dumps(out, separators=(",", ":")) + "\n")
