#!/usr/bin/env python3
"""Reference values for the straight line of a calibration, by scipy and numpy.

    calibration_scipy.py           writes tests/data/calibration-reference.json
    calibration_scipy.py --check   computes it again and compares with what is stored

The points are invented. Needs scipy (PyPI).
"""
import json
import math
import pathlib
import sys

import numpy as np
from scipy import stats
from scipy.optimize import curve_fit

FILE = pathlib.Path(__file__).parent.parent / "data" / "calibration-reference.json"


def cases():
    fine = 32768 / 1.25
    x = np.array([0.0, 0.1, -0.1, 0.5, -0.5, 1.0, -1.0])
    yield "current, one instrument", x, np.where(x == 0, 0, 2e-5 + 2e-4 * np.abs(x)), [0, 1, 1, 1, 1, 1, 1], fine * 1.012, 31.0, 0.6, 0.2, fine
    volts = 32768 / 600
    x = np.array([0.0, 100.0, -100.0, 400.0, -400.0])
    yield "poles, two instruments", x, np.array([0, 0.02, 0.02, 0.1, 0.1]), [0, 1, 1, 2, 2], volts * 0.983, -12.5, 0.9, 1.2, volts
    wide = 32768 / 25
    x = np.array([0.0, 1.0, 20.0])
    yield "three points, noise alone", x, np.zeros(3), [0, 1, 1], wide * 1.001, 2.0, 1.5, 0.0, wide


def reference():
    rng = np.random.default_rng(11)
    lines = []
    for name, x, u_x, instrument, slope, zero, noise, u_q, about in cases():
        u_a = noise * (1 + 0.2 * rng.random(len(x)))
        u_q = np.full(len(x), u_q)
        y = np.round(zero + slope * x + u_a * rng.normal(size=len(x)) + slope * u_x * np.sign(x) * rng.normal(), 6)

        def line(x, a, b):
            return a + b * x

        def slopes(x, a, b):
            return np.stack([np.ones_like(x), x], axis=1)

        guess = about
        for _ in range(2):
            sigma = np.sqrt(u_a**2 + u_q**2 + (guess * u_x) ** 2)
            popt, pcov = curve_fit(line, x, y, sigma=sigma, absolute_sigma=True, p0=[0, about], jac=slopes)
            used, guess = sigma, popt[1]
        chi = float(np.sum(((y - line(x, *popt)) / used) ** 2))
        # One error common to all points of an instrument, carried through the same weights.
        design = np.stack([np.ones_like(x), x], axis=1)
        w = np.diag(1 / used**2)
        m = np.linalg.inv(design.T @ w @ design) @ design.T @ w
        v = np.diag(u_a**2 + u_q**2)
        for k in set(instrument):
            e = np.where(np.array(instrument) == k, popt[1] * u_x * np.sign(x), 0.0)
            v = v + np.outer(e, e)
        common = m @ v @ m.T
        lines.append(
            {
                "name": name,
                "x": x.tolist(),
                "u_x": u_x.tolist(),
                "instrument": instrument,
                "y": y.tolist(),
                "u_a": u_a.tolist(),
                "u_q": u_q.tolist(),
                "slope_about": about,
                "zero": float(popt[0]),
                "slope": float(popt[1]),
                "covariance": [float(pcov[0, 0]), float(pcov[0, 1]), float(pcov[1, 1])],
                "chi_squared": chi,
                "p": float(stats.chi2.sf(chi, len(x) - 2)),
                "common_u": [math.sqrt(common[0, 0]), math.sqrt(common[1, 1])],
            }
        )
    return {
        "made_by": "tests/reference/calibration_scipy.py: scipy.optimize.curve_fit(absolute_sigma=True), scipy.stats chi2 and t; "
        "numpy for errors common to an instrument. Invented points.",
        "line": lines,
        "coverage": [[d, float(stats.t.ppf(0.5 + 0.9545 / 2, d))] for d in [1, 2, 3, 5, 10, 15, 30, 100, 900]],
    }


def same(a, b, where=""):
    if isinstance(a, dict) and isinstance(b, dict) and a.keys() == b.keys():
        for key in a:
            same(a[key], b[key], f"{where}.{key}")
    elif isinstance(a, list) and isinstance(b, list) and len(a) == len(b):
        for k, (x, y) in enumerate(zip(a, b)):
            same(x, y, f"{where}[{k}]")
    elif isinstance(a, float) or isinstance(b, float):
        if not math.isclose(a, b, rel_tol=1e-5, abs_tol=1e-6):
            sys.exit(f"{where}: stored {a}, now {b}")
    elif a != b:
        sys.exit(f"{where}: stored {a!r}, now {b!r}")


if __name__ == "__main__":
    made = reference()
    if "--check" in sys.argv[1:]:
        same(json.loads(FILE.read_text()), made)
        print("calibration: the stored values are scipy's")
    else:
        FILE.write_text(json.dumps(made, indent=1) + "\n")
        print(f"written: {FILE.name}")
