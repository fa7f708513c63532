"""What a person at ease with pandas, scipy and ruptures would write in an afternoon to
ask the same questions of a log: phases, load steps and what each costs, operating
points with intervals that know the noise's memory, setpoint, keep-up speed, cranking,
rest, and one picture's worth of extremes. `tests/bench/compare.rs` times it.

It averages to ten samples a second before it looks for changes and uses the search
that ruptures has in C, for the plain ones would not finish; no plots, no pages.

Run with pandas, scipy and ruptures installed:  python short_diagnosis.py LOG.csv
Prints JSON: what it found, the versions, and the most memory it took.
"""

import json
import resource
import sys
from importlib.metadata import version

import numpy as np
import pandas as pd
import ruptures
from scipy import optimize, stats

BLOCK_S = 0.1
CHAPTER = 1200
BANDS_RPM = [0, 1100, 1700, 2300, 3000, 4000, 5500, np.inf]


def column(frame, *words):
    return next((c for c in frame.columns if any(w in c.lower() for w in words)), None)


def integrated_time(x, most=200):
    """1 + 2 Σ ρ, to the first pair that is not positive."""
    x = x - x.mean()
    spread = (x * x).sum()
    if spread == 0 or len(x) < 8:
        return 1.0
    tau = 1.0
    for lag in range(1, min(most, len(x) // 4)):
        rho = (x[:-lag] * x[lag:]).sum() / spread
        if rho <= 0:
            break
        tau += 2 * rho
    return tau


def mean_with_interval(x):
    x = x[np.isfinite(x)]
    n = max(2.0, len(x) / integrated_time(x[:20000]))
    half = stats.t.ppf(0.95, n - 1) * x.std(ddof=1) / np.sqrt(n) if len(x) > 1 else np.nan
    return [float(x.mean()), float(half)]


def main(path):
    log = pd.read_csv(path, comment="#")
    time, volts = column(log, "time"), column(log, "battery")
    rpm, loads = column(log, "rpm"), [c for c in log.columns if c.split()[0] in ("fan", "ac", "blower")]
    t, v = log[time].to_numpy(float), log[volts].to_numpy(float)
    interval = float(np.median(np.diff(t)))
    sigma = float(1.4826 * np.median(np.abs(np.diff(v))) / np.sqrt(2)) or 0.005

    # Ten blocks a second, as the search is to be done with today.
    blocks = log.groupby((t / max(BLOCK_S, interval)).astype(np.int64)).mean()
    bt, bv, br = (blocks[c].to_numpy(float) for c in (time, volts, rpm))

    running = br > 400
    cranking = (bv < 11.5) & ~running
    rest = ~running & ~cranking

    breaks = []
    noise = float(1.4826 * np.median(np.abs(np.diff(bv))) / np.sqrt(2)) or 0.005
    for start in range(0, len(bv), CHAPTER):
        piece = bv[start : start + CHAPTER]
        if len(piece) < 8:
            continue
        search = ruptures.KernelCPD(kernel="linear", min_size=3).fit(piece.reshape(-1, 1))
        found = search.predict(pen=6 * noise**2 * np.log(len(piece)))
        breaks += [start + k for k in found[:-1]]
    duty = blocks[loads].to_numpy(float)
    edges = np.flatnonzero((np.abs(np.diff(duty, axis=0)) > 0.08).any(axis=1)) + 1
    moments = np.unique(np.concatenate([edges, np.array(breaks, dtype=int)]))
    moments = moments[running[np.clip(moments, 0, len(running) - 1)]]

    steps = []
    ends = np.append(moments[1:], len(bv))
    for at, until in zip(moments, ends):
        before, after = bv[max(0, at - 50) : at], bv[at:until]
        if len(before) < 5 or len(after) < 10:
            continue
        settled = after[-min(50, len(after) // 2) :]
        test = stats.ttest_ind(before, settled, equal_var=False)
        interval_of = test.confidence_interval(0.90)
        trough = int(np.argmin(after[:100]))
        back = np.flatnonzero(after[trough:] >= settled.mean() - 2 * noise)
        steps.append(
            {
                "at_s": bt[at],
                "shift_v": [float(before.mean() - settled.mean()), float(interval_of.low), float(interval_of.high)],
                "sag_v": float(before.mean() - after[trough]),
                "recovery_s": float(back[0] * BLOCK_S) if len(back) else None,
            }
        )

    names = np.array([f"{c.split()[0]}" for c in loads])
    on = log[loads].to_numpy(float) > 0.05
    key = on @ (1 << np.arange(len(loads)))
    band = np.digitize(log[rpm].to_numpy(float), BANDS_RPM) - 1
    points = []
    for (loads_on, at_band), rows in log.groupby([key, band]).indices.items():
        x = v[rows]
        if len(x) * interval < 2 or log[rpm].to_numpy(float)[rows[0]] < 400:
            continue
        level, half = mean_with_interval(x)
        which = [n for k, n in enumerate(names) if int(loads_on) >> k & 1]
        points.append({"loads": which, "rpm_low": BANDS_RPM[at_band], "voltage_v": level, "half_v": half})
    setpoint = float(np.quantile(v[log[rpm].to_numpy(float) > 400], 0.9))

    def hinge(x, knee, slope):
        return setpoint - slope * np.maximum(knee - x, 0)

    keep_up = []
    block_key = (duty > 0.05) @ (1 << np.arange(len(loads)))
    for loads_on in np.unique(block_key[running]):
        here = running & (block_key == loads_on)
        if here.sum() > 100 and np.ptp(br[here]) > 500:
            try:
                fit, _ = optimize.curve_fit(hinge, br[here], bv[here], p0=[1500, 1e-3], maxfev=2000)
                keep_up.append({"loads": int(loads_on), "rpm": float(fit[0])})
            except RuntimeError:
                pass

    rest_v = mean_with_interval(bv[rest][:300]) if rest.any() else None
    lowest = float(v[log[rpm].to_numpy(float) < 400].min()) if rest.any() else None
    buckets = np.minimum((t * 1600 / t[-1]).astype(np.int64), 1599)
    picture = log.groupby(buckets)[[volts, rpm]].agg(["min", "max"])

    print(
        json.dumps(
            {
                "rows": len(log),
                "interval_s": interval,
                "noise_v": sigma,
                "setpoint_v": setpoint,
                "steps": len(steps),
                "points": points,
                "keep_up": keep_up,
                "rest_v": rest_v,
                "lowest_v": lowest,
                "picture": len(picture),
                "versions": {m: version(m) for m in ("numpy", "pandas", "scipy", "ruptures")},
                "peak_kb": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss,
            }
        )
    )


main(sys.argv[1])
