#!/usr/bin/env python3
"""Reference values for the trend statistics, by scipy and pymannkendall.

    trend_reference.py           writes tests/data/trend-reference.json
    trend_reference.py --check   computes it again and compares with what is stored

The series are invented. Needs scipy and pymannkendall (PyPI).
"""
import json
import math
import pathlib
import sys

import numpy as np
import pymannkendall as mk
from scipy import stats

FILE = pathlib.Path(__file__).parent.parent / "data" / "trend-reference.json"


def series():
    rng = np.random.default_rng(20)
    yield "worked-example", [10, 10, 10, 5, 10, 20, 18, 17, 15, 24, 15], 4
    yield "three-wet-mornings", [21.0, 20.4, 19.9, 6.1, 18.8, 18.2, 17.9, 17.1, 5.2, 16.4, 15.8, 15.5, 14.9, 14.6, 4.4, 13.7], 4
    yield "white", rng.normal(size=60).round(6).tolist(), 12
    noise, x = [], 0.0
    for _ in range(104):
        x = 0.7 * x + rng.normal()
        noise.append(x)
    yield "autocorrelated", np.round(noise, 6).tolist(), 52
    year = np.sin(np.arange(104) * 2 * math.pi / 52)
    yield "seasonal-falling", np.round(2 * year - 0.02 * np.arange(104) + 0.3 * np.array(noise), 6).tolist(), 52
    yield "many-ties", rng.integers(0, 5, size=80).astype(float).tolist(), 10
    yield "alternating", [float(k % 2) + 0.01 * k for k in range(30)], 2


def reference():
    out = []
    for name, y, period in series():
        y = [float(v) for v in y]
        # Uneven times as well as even ones: a board has gaps.
        x = [float(k + (k // 5) * 3) for k in range(len(y))]
        line = stats.theilslopes(y, x, 0.95)
        plain = mk.original_test(y)
        grown = mk.hamed_rao_modification_test(y)
        seasonal = mk.seasonal_test(y, period=period)
        out.append(
            {
                "name": name,
                "x": x,
                "y": y,
                "period": period,
                "theil_sen": {
                    "slope": line.slope,
                    "intercept": line.intercept,
                    "slope_low_95": line.low_slope,
                    "slope_high_95": line.high_slope,
                },
                "mann_kendall": mann_kendall(plain),
                "mann_kendall_autocorrelated": mann_kendall(grown),
                "mann_kendall_seasonal": mann_kendall(seasonal),
                "seasonal_slope_per_period": float(seasonal.slope),
            }
        )
    return {
        "made_by": "tests/reference/trend_reference.py: scipy.stats.theilslopes; pymannkendall original_test, "
        "hamed_rao_modification_test, seasonal_test. Invented series.",
        "series": out,
    }


def mann_kendall(r):
    return {"s": float(r.s), "var_s": float(r.var_s), "z": float(r.z), "p_two_sided": float(r.p)}


def same(a, b, where=""):
    if isinstance(a, dict) and isinstance(b, dict) and a.keys() == b.keys():
        for key in a:
            same(a[key], b[key], f"{where}.{key}")
    elif isinstance(a, list) and isinstance(b, list) and len(a) == len(b):
        for k, (p, q) in enumerate(zip(a, b)):
            same(p, q, f"{where}[{k}]")
    elif isinstance(a, float) and isinstance(b, float):
        if not math.isclose(a, b, rel_tol=1e-9, abs_tol=1e-9):
            sys.exit(f"{FILE.name}{where}: stored {b}, computed now {a}")
    elif a != b:
        sys.exit(f"{FILE.name}{where}: stored {b!r}, computed now {a!r}")


def main():
    made = json.loads(json.dumps(reference()))
    if sys.argv[1:] == ["--check"]:
        same(made, json.loads(FILE.read_text()))
        print(f"{FILE.name}: {len(made['series'])} series as stored")
    elif not sys.argv[1:]:
        FILE.write_text(json.dumps(made, indent=1) + "\n")
        print(FILE.name)
    else:
        sys.exit(__doc__)


if __name__ == "__main__":
    main()
