"""Writes data/long_run.json: generalized least squares and long-run variances by statsmodels.

Run with numpy and statsmodels installed:  python long_run_reference.py
"""

import json
import pathlib
from importlib.metadata import version

import numpy as np
import statsmodels.api as sm

rng = np.random.default_rng(20310504)


def noise(n, share, rho):
    slow = np.empty(n)
    slow[0] = rng.standard_normal()
    for k in range(1, n):
        slow[k] = rho * slow[k - 1] + np.sqrt(1 - rho**2) * rng.standard_normal()
    return np.sqrt(share) * slow + np.sqrt(1 - share) * rng.standard_normal(n)


def covariance(n, share, rho):
    lags = np.abs(np.subtract.outer(np.arange(n), np.arange(n)))
    return share * rho**lags + (1 - share) * np.eye(n)


def piece(n, degree, shapes):
    """Level, trend and another channel under noise with a memory, removed by GLS."""
    other = np.round(850 + 40 * rng.standard_normal(n).cumsum() / np.sqrt(n), 1)
    y = np.round(14 + 0.3 * np.linspace(0, 1, n) ** 2 + 0.001 * (other - 850) + 0.02 * noise(n, 0.7, 0.9), 4)
    place = (2 * np.arange(n) + 1) / n - 1
    powers = [place, (3 * place**2 - 1) / 2, (5 * place**3 - 3 * place) / 2][:degree]
    design = np.column_stack([np.ones(n), *powers, other - other.mean()])
    fits = []
    for share, rho in shapes:
        v = covariance(n, share, rho)
        fit = sm.GLS(y, design, sigma=v).fit()
        information = design.T @ np.linalg.solve(v, design)
        determinants = np.linalg.slogdet(v)[1] + np.linalg.slogdet(information)[1]
        fits.append({
            "share": share, "rho": rho, "squares": float(fit.ssr), "freedom": float(fit.df_resid),
            "log_determinants": float(determinants),
        })
    return {"readings": y.tolist(), "other": other.tolist(), "degree": degree, "fits": fits}


def series(name, n, share, rho):
    """A maximum-likelihood ARMA(1,1), which white plus first-order noise is."""
    x = np.round(14 + 0.02 * noise(n, share, rho), 4)
    # Near 1, where the optimizer converges.
    fit = sm.tsa.SARIMAX((x - 14) / 0.02, order=(1, 0, 1), trend="c").fit(disp=False, maxiter=500)
    assert fit.mle_retvals["converged"]
    values = dict(zip(fit.param_names, fit.params))
    phi, theta, sigma2 = values["ar.L1"], values["ma.L1"], values["sigma2"]
    return {
        "name": name, "readings": x.tolist(),
        "sigma": 0.02 * float(np.sqrt(sigma2 * (1 + 2 * phi * theta + theta**2) / (1 - phi**2))),
        "long_run_sigma": 0.02 * float(np.sqrt(sigma2) * (1 + theta) / (1 - phi)),
    }


out = {
    "source": ", ".join(f"{p} {version(p)}" for p in ["statsmodels", "numpy"]),
    "pieces": [
        piece(40, 1, [(0.0, 0.0), (0.5, 0.8), (1.0, 0.95)]),
        piece(80, 3, [(0.3, 0.5), (0.9, 0.97)]),
    ],
    "series": [series("mostly slow", 2000, 0.8, 0.9), series("mostly white", 2000, 0.3, 0.8)],
}
path = pathlib.Path(__file__).resolve().parent.parent / "data" / "long_run.json"
path.write_text(json.dumps(out, separators=(",", ":")) + "\n")
