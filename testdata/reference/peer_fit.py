#!/usr/bin/python3
"""Fit the 500-point series with statsmodels; print time and log-likelihood.

Needs Debian's python3-statsmodels. The model is the one of drift/fit: a local
linear trend and three regressors, by maximum likelihood, exactly diffuse start.
"""
import math
import pathlib
import statistics
import time
import warnings

import numpy as np
import statsmodels
import statsmodels.api as sm

RUNS = 5
OPTIMUM = -164.98881310  # n - 2 terms; see README.md

warnings.simplefilter("ignore")  # convergence is judged by the likelihood below
path = pathlib.Path(__file__).with_name("peer_series_500.csv")
data = np.loadtxt(path, delimiter=",", skiprows=1)
y, x = data[:, 0], data[:, 1:]

print(f"statsmodels {statsmodels.__version__}, n = {len(y)}, median of {RUNS} fits")
for method in ("lbfgs", "powell"):
    seconds = []
    for _ in range(RUNS):
        model = sm.tsa.UnobservedComponents(
            y, level="local linear trend", exog=x, use_exact_diffuse=True
        )
        start = time.perf_counter()
        fit = model.fit(method=method, disp=False)
        seconds.append(time.perf_counter() - start)
    loglik = fit.llf + math.log(2 * math.pi)  # without the two diffuse terms
    print(
        f"{method:7s} {1e3 * statistics.median(seconds):7.1f} ms"
        f"  loglik {loglik:.6f} (short by {OPTIMUM - loglik:.6f})"
        f"  beta {np.array2string(fit.params[3:], precision=5)}"
    )
