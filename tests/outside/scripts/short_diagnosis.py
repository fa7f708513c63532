"""What a person at ease with pandas, scipy and ruptures would write in an afternoon to
ask the same questions of a log: phases, load steps and what each costs, operating
points with intervals that know the noise's memory, setpoint, keep-up speed, cranking,
rest, amps from two thousand batteries driven by the logged voltage, and one picture's
worth of extremes. `tests/bench/compare.rs` times it.

It averages to ten samples a second before it looks for changes, searches with the cost
that stiffbus has (straight pieces) in chapters of two minutes on the half-second grid
that ruptures takes by itself, and drives all batteries at once as arrays; it weighs no
battery by Kirchhoff's balance, and makes no plots and no pages.

Run with pandas, scipy and ruptures installed:  python short_diagnosis.py LOG.csv
Prints JSON: what it found, the versions, and what it took of memory and time.
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
BATTERIES = 2000
DRIVEN_S = 0.5
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


def amps(volts, step_s):
    """Mean amps given, with its 90 % range, over batteries that this one could be."""
    rng = np.random.default_rng(1)
    ohm = 0.0055 * 2 ** rng.normal(0, 0.5, BATTERIES)
    ah = 60 * 1.6 ** rng.normal(0, 0.6, BATTERIES)
    taking = 0.016 * 60 / ah * 2 ** rng.normal(0, 0.6, BATTERIES)
    slow_s = 110 * 2 ** rng.normal(0, 0.6, BATTERIES)
    charge = rng.uniform(0.6, 0.98, BATTERIES)
    fast, slow, surface = np.zeros(BATTERIES), np.zeros(BATTERIES), rng.uniform(0, 0.3, BATTERIES)
    kept_fast, kept_slow = np.exp(-step_s / 3.0), np.exp(-step_s / slow_s)
    given = np.zeros(BATTERIES)
    for v in volts:
        source = np.interp(charge, [0, 0.25, 0.5, 0.75, 1], [11.9, 12.06, 12.24, 12.45, 12.65]) + surface
        push = v - source - fast - slow
        current = push / (0.5 * ohm + np.where(push > 0, taking / (1.01 - charge), 0.2 * ohm))
        charge = np.clip(charge + current * step_s / 3600 / ah, 0, 1)
        built = 0.6 + (surface - 0.6) * np.exp(-current * step_s / 600)
        stripped = surface * np.exp(current * step_s / 1100)
        surface = np.maximum(np.where(current > 0, built, stripped) * (1 - step_s / 900), 0)
        fast = 0.3 * ohm * current + (fast - 0.3 * ohm * current) * kept_fast
        slow = 0.65 * ohm * current + (slow - 0.65 * ohm * current) * kept_slow
        given += np.maximum(-current, 0) * step_s
    return [float(q) for q in np.quantile(given / (len(volts) * step_s), [0.05, 0.5, 0.95])]


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
        line = np.column_stack([piece, np.ones(len(piece)), np.arange(len(piece)) * BLOCK_S])
        found = ruptures.Pelt(model="linear", min_size=3).fit(line).predict(pen=9 * noise**2 * np.log(len(piece)))
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

    driven = log.groupby((t / max(DRIVEN_S, t[-1] / 20000)).astype(np.int64))[volts].mean().to_numpy(float)
    given_a = amps(driven, t[-1] / len(driven))

    rest_v = mean_with_interval(bv[rest][:300]) if rest.any() else None
    lowest = float(v[log[rpm].to_numpy(float) < 400].min()) if rest.any() else None
    buckets = np.minimum((t * 1600 / t[-1]).astype(np.int64), 1599)
    picture = log.groupby(buckets)[[volts, rpm]].agg(["min", "max"])

    took = resource.getrusage(resource.RUSAGE_SELF)
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
                "given_a": given_a,
                "rest_v": rest_v,
                "lowest_v": lowest,
                "picture": len(picture),
                "versions": {m: version(m) for m in ("numpy", "pandas", "scipy", "ruptures")},
                "peak_kb": took.ru_maxrss,
                "cpu_s": took.ru_utime + took.ru_stime,
            }
        )
    )


main(sys.argv[1])
