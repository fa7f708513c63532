"""Writes data/scipy.json: intervals, autocorrelations and lines by scipy and statsmodels.

Run with numpy, scipy and statsmodels installed:  python scipy_reference.py
"""

import json
import pathlib
from importlib.metadata import version

import numpy as np
import statsmodels.api as sm
from scipy import stats
from statsmodels.tsa.stattools import acf

rng = np.random.default_rng(20240518)


def values(x, digits=4):
    return [float(v) for v in np.round(x, digits)]


def welch(name, a, b):
    a, b = np.array(values(a)), np.array(values(b))
    t = stats.ttest_ind(b, a, equal_var=False)
    ci = t.confidence_interval(0.90)
    return {
        "name": name, "a": a.tolist(), "b": b.tolist(), "level": 0.90,
        "difference": float(b.mean() - a.mean()), "low": float(ci.low), "high": float(ci.high),
        "dof": float(t.df), "p": float(t.pvalue),
        "acf_a": acf(a, nlags=1)[1], "acf_b": acf(b, nlags=1)[1],
    }


def autoregressive(n, phi, sigma=1.0):
    e = rng.standard_normal(n)
    x = np.empty(n)
    x[0] = e[0] / np.sqrt(1 - phi**2)
    for i in range(1, n):
        x[i] = phi * x[i - 1] + e[i]
    return sigma * x


def initial_monotone_time(x):
    """Geyer's initial monotone sequence on statsmodels' acf."""
    rho = acf(x, nlags=len(x) // 4 + 1, fft=False)
    pairs = rho[0:-1:2] + rho[1::2]
    stop = np.argmax(pairs <= 0) if (pairs <= 0).any() else len(pairs)
    return float(-1 + 2 * np.minimum.accumulate(pairs[:stop]).sum())


def correlation(name, x):
    x = np.array(values(x))
    rho = acf(x, nlags=20, fft=False)
    # Fitted first-order autoregression: a second, model-based route to the time.
    phi = sm.tsa.AutoReg(x, lags=1, trend="c").fit().params[1]
    return {
        "name": name, "x": x.tolist(), "acf": rho.tolist(),
        "monotone_time": initial_monotone_time(x),
        "autoregressive_time": float((1 + phi) / (1 - phi)),
    }


def line(name, x, y):
    x, y = np.array(values(x)), np.array(values(y))
    fit = sm.OLS(y, sm.add_constant(x)).fit()
    ts = stats.theilslopes(y, x)
    return {
        "name": name, "x": x.tolist(), "y": y.tolist(),
        "intercept": float(fit.params[0]), "slope": float(fit.params[1]),
        "covariance": fit.cov_params().tolist(), "sigma": float(np.sqrt(fit.mse_resid)),
        "theil_sen_slope": float(ts.slope), "theil_sen_intercept": float(ts.intercept),
    }


def alternating(n, level, sigma):
    """Negatively correlated, so that the effective size is the size and Welch's own."""
    return level + autoregressive(n, -0.5, sigma)


def windows(n_draws):
    """Error quantile of a mean of rounded samples by brute force."""
    out = []
    for ratio in [0.02, 0.1, 0.2, 0.3, 0.5, 1.0, 3.0]:
        for n in [25, 200]:
            level = rng.uniform(0, 1, n_draws)
            total = np.zeros(n_draws)
            for _ in range(n):
                total += np.round(level + ratio * rng.standard_normal(n_draws))
            error = np.abs(total / n - level)
            q = np.quantile(error, 0.90)
            # Standard error of the quantile from the spacing of neighbouring ones.
            se = (np.quantile(error, 0.905) - np.quantile(error, 0.895)) / 0.01 * np.sqrt(0.09 / n_draws)
            out.append({"ratio": ratio, "n": n, "half_width": float(q), "standard_error": float(se)})
    return out


a, b = rng.normal(14.4, 0.03, 40), rng.normal(14.31, 0.08, 25)
x = np.arange(60) * 0.5
heavy = rng.standard_t(2, 60)
out = {
    "source": f"scipy {version('scipy')}, statsmodels {version('statsmodels')}, numpy {np.__version__}",
    "welch": [
        welch("unequal spread", a, b),
        welch("alternating", alternating(60, 14.4, 0.03), alternating(35, 14.38, 0.05)),
        welch("very small", np.array([14.1, 14.2, 14.15]), np.array([13.9, 14.4])),
    ],
    "correlation": [
        correlation("white", rng.standard_normal(300)),
        correlation("phi 0.5", autoregressive(600, 0.5)),
        correlation("phi 0.8 on 14 V", 14 + autoregressive(1200, 0.8, 0.01)),
    ],
    "line": [
        line("gentle", x, 14.3 - 0.004 * x + 0.01 * rng.standard_normal(60)),
        line("far from the origin", 1e4 + x, 14.3 + 0.02 * x + 0.05 * rng.standard_normal(60)),
        line("heavy tails", x, 14.3 - 0.004 * x + 0.02 * heavy),
    ],
    "rounded_means": windows(400_000),
}
path = pathlib.Path(__file__).parent.parent / "data" / "scipy.json"
path.write_text(json.dumps(out, separators=(",", ":")) + "\n")
for c in out["correlation"]:
    print(c["name"], c["monotone_time"], c["autoregressive_time"])
for w in out["welch"]:
    print({k: v for k, v in w.items() if k not in "ab"})
