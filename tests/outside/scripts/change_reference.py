"""Writes data/change.json: the change between two windows of bus voltage, by scipy.

Samples of one window repeat each other and are rounded to the logger's step, so
each window counts with its effective size (n over the integrated autocorrelation
time, Geyer, Statistical Science 7, 1992, on statsmodels' acf) in Welch's test
(Biometrika 34, 1947), which is scipy.stats.ttest_ind_from_stats(equal_var=False).
What no number of samples averages out of a window, `shared_v`, adds to the
standard error of its mean.

Run with numpy, scipy and statsmodels installed:  python change_reference.py
"""

import json
import pathlib
from importlib.metadata import version

import numpy as np
from scipy import stats
from statsmodels.tsa.stattools import acf

rng = np.random.default_rng(20310504)
LEVEL = 0.90


def window(level, sigma, phi, n, step):
    """First-order autoregression around `level`, rounded to `step`, in V."""
    x = np.empty(n)
    x[0] = rng.standard_normal()
    for i in range(1, n):
        x[i] = phi * x[i - 1] + np.sqrt(1 - phi**2) * rng.standard_normal()
    return np.round(np.round((level + sigma * x) / step) * step, 4)


def integrated_time(x):
    rho = acf(x, nlags=len(x) // 4 + 1, fft=False)
    pairs = rho[0:-1:2] + rho[1::2]
    stop = np.argmax(pairs <= 0) if (pairs <= 0).any() else len(pairs)
    return max(1.0, float(-1 + 2 * np.minimum.accumulate(pairs[:stop]).sum()))


def side(x, shared_v):
    tau = integrated_time(x)
    # Correlated samples follow their own mean: E sum (x - mean)^2 = sigma^2 (n - tau).
    sigma = float(np.sqrt(((x - x.mean()) ** 2).sum() / (len(x) - tau)))
    size = len(x) / tau
    return {
        "x": x.tolist(), "mean_v": float(x.mean()), "sigma_v": sigma,
        "effective_samples": size, "shared_v": shared_v,
        "error_v": float(np.sqrt(sigma**2 / size + shared_v**2)),
    }


def case(name, before, after, shared_v=(0.0, 0.0)):
    a, b = side(before, shared_v[0]), side(after, shared_v[1])
    # As scipy takes it: a deviation that makes the standard error over that size.
    spread = [s["error_v"] * np.sqrt(s["effective_samples"]) for s in (a, b)]
    test = stats.ttest_ind_from_stats(
        b["mean_v"], spread[1], b["effective_samples"],
        a["mean_v"], spread[0], a["effective_samples"], equal_var=False,
    )
    difference = b["mean_v"] - a["mean_v"]
    error = difference / test.statistic
    # scipy keeps the degrees of freedom of this form to itself; they are what
    # makes its p of its statistic.
    va, vb = a["error_v"] ** 2, b["error_v"] ** 2
    dof = (va + vb) ** 2 / (
        va**2 / (a["effective_samples"] - 1) + vb**2 / (b["effective_samples"] - 1)
    )
    assert np.isclose(2 * stats.t.sf(abs(test.statistic), dof), test.pvalue, rtol=1e-9)
    low, high = stats.t.interval(LEVEL, dof, loc=difference, scale=abs(error))
    return {
        "name": name, "level": LEVEL, "before": a, "after": b, "difference": float(difference),
        "low": float(low), "high": float(high), "dof": float(dof), "p": float(test.pvalue),
    }


out = {
    "source": f"scipy {version('scipy')}, statsmodels {version('statsmodels')}, numpy {np.__version__}",
    "change": [
        case("repaired", window(12.62, 0.015, 0.6, 300, 0.01), window(14.07, 0.012, 0.5, 450, 0.01)),
        case("unchanged", window(14.105, 0.012, 0.7, 260, 0.01), window(14.107, 0.02, 0.2, 180, 0.01)),
        case("few samples", window(13.40, 0.02, 0.4, 24, 0.05), window(13.52, 0.02, 0.4, 30, 0.01)),
        case(
            "visits differ", window(12.85, 0.015, 0.6, 280, 0.01),
            window(12.80, 0.015, 0.6, 120, 0.01), (0.03, 0.008),
        ),
    ],
}
path = pathlib.Path(__file__).parent.parent / "data" / "change.json"
path.write_text(json.dumps(out, separators=(",", ":")) + "\n")
for c in out["change"]:
    sizes = [round(c[s]["effective_samples"], 1) for s in ("before", "after")]
    print(c["name"], sizes, c["difference"], c["low"], c["high"], c["dof"], c["p"])
