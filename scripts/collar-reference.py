#!/usr/bin/env python3
"""Reference for the regression in risk/collar: a Bayesian logistic regression
with missing signs integrated over, its mode and the inverse curvature there.

Needs numpy and scipy (Debian: python3-scipy). Writes
fixtures/reference/collar-logit.csv; `--check` compares with it instead.

The integral over what is missing is done by scipy's adaptive quadrature, the
mode by trust-region Newton, and the curvature by central differences of the
exact gradient: nothing is shared with the Go code but the formula

    -log posterior = sum ((t - m) / s)^2 / 2 - sum log p(y | x.t)
    p(1 | eta) = integral logistic(eta + sd z) normal(z) dz

All of the data are made up here.
"""
import csv
import io
import os
import sys

import numpy as np
from scipy.integrate import quad
from scipy.optimize import minimize, root
from scipy.special import expit

OUT = os.path.join(os.path.dirname(__file__), "..", "fixtures", "reference", "collar-logit.csv")


def integral(f, sd):
    if sd == 0:
        return f(0.0)
    g = lambda z: f(sd * z) * np.exp(-z * z / 2) / np.sqrt(2 * np.pi)
    return quad(g, -12, 12, epsabs=1e-13, epsrel=1e-12, limit=400)[0]


def problem():
    rng = np.random.default_rng(20240229)
    d, n = 6, 150
    m = np.array([-1.5, 0.1, 0.6, -0.8, 0.0, 0.0])
    s = np.array([1.0, 0.1, 0.7, 0.8, 0.5, 0.3])
    x = np.column_stack([
        np.ones(n),
        rng.uniform(-6, 20, n),
        rng.choice([-0.35, 0.65], n),
        rng.choice([-0.15, 0.85], n),
        rng.choice([0.0, 1.0], n),
        rng.normal(0, 1, n),
    ]).round(3)
    sd = rng.choice([0.0, 0.4, 0.9, 1.5], n)
    truth = np.array([-1.2, 0.15, 0.3, -1.0, 0.6, 0.2])
    y = (rng.uniform(size=n) < expit(x @ truth + sd * rng.normal(size=n))).astype(int)
    return m, s, x, sd, y


def solve(m, s, x, sd, y):
    sign = 2.0 * y - 1

    def value(t):
        eta = x @ t
        l = [np.log(integral(lambda u: expit(g * e + u), w)) for g, e, w in zip(sign, eta, sd)]
        return (((t - m) / s) ** 2).sum() / 2 - np.sum(l)

    def gradient(t):
        eta = x @ t
        d = np.empty(len(y))
        for i, (g, e, w) in enumerate(zip(sign, eta, sd)):
            p = integral(lambda u: expit(g * e + u), w)
            p1 = integral(lambda u: expit(g * e + u) * expit(-g * e - u), w)
            d[i] = g * p1 / p
        return (t - m) / s**2 - x.T @ d

    rough = minimize(value, m, jac=gradient, method="BFGS", options={"gtol": 1e-6})
    t = root(gradient, rough.x, method="hybr", tol=1e-13).x
    h = np.empty((len(m), len(m)))
    for j in range(len(m)):  # Richardson: error of order step^4
        e = np.zeros(len(m))
        e[j] = 1e-3 * s[j]
        one = (gradient(t + e) - gradient(t - e)) / (2 * e[j])
        two = (gradient(t + 2 * e) - gradient(t - 2 * e)) / (4 * e[j])
        h[:, j] = (4 * one - two) / 3
    h = (h + h.T) / 2
    return t, np.linalg.inv(h)


def main():
    m, s, x, sd, y = problem()
    t, c = solve(m, s, x, sd, y)
    out = io.StringIO()
    w = csv.writer(out, lineterminator="\n")
    out.write("# Reference for risk/collar's regression, written by scripts/collar-reference.py (scipy).\n")
    out.write("# prior: weights, then spreads. tree: found girdled, spread of what is missing, columns.\n")
    out.write("# mode: weights at the mode. cov: rows of the inverse curvature there.\n")
    w.writerow(["prior", *m])
    w.writerow(["spread", *s])
    for yi, wi, xi in zip(y, sd, x):
        w.writerow(["tree", yi, wi, *xi])
    w.writerow(["mode", *(f"{v:.10f}" for v in t)])
    for row in c:
        w.writerow(["cov", *(f"{v:.10f}" for v in row)])
    text = out.getvalue()
    if "--check" not in sys.argv:
        with open(OUT, "w") as f:
            f.write(text)
        return 0
    with open(OUT) as f:
        kept = f.read()
    a = [r for r in csv.reader(io.StringIO(kept)) if r and not r[0].startswith("#")]
    b = [r for r in csv.reader(io.StringIO(text)) if r and not r[0].startswith("#")]
    if len(a) != len(b) or any(p[0] != q[0] for p, q in zip(a, b)):
        print("collar-reference: rows differ from", OUT)
        return 1
    worst = max(abs(float(u) - float(v)) for p, q in zip(a, b) for u, v in zip(p[1:], q[1:]))
    print(f"collar-reference: {len(a)} rows, largest difference {worst:.2g}")
    return 0 if worst < 1e-7 else 1


if __name__ == "__main__":
    sys.exit(main())
