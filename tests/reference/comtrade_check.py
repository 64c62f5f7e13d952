#!/usr/bin/env python3
"""Reads COMTRADE files with the PyPI package `comtrade` (0.2.0) and compares with the NAME.json beside each.

    pip install --target DIR comtrade==0.2.0
    PYTHONPATH=DIR python3 tests/reference/comtrade_check.py FOLDER

Exit status: 0 all agree, 1 something differs, 77 the package is not there.
"""

import glob
import json
import math
import os
import sys
import warnings

try:
    import comtrade
    from importlib.metadata import version

    if version("comtrade") != "0.2.0":
        print(f"comtrade {version('comtrade')} instead of 0.2.0")
        sys.exit(77)
except ImportError:
    print("no Python package comtrade: pip install --target DIR comtrade==0.2.0, and PYTHONPATH=DIR")
    sys.exit(77)

# It cuts nanoseconds off with a warning; times are compared, so nothing is hidden.
warnings.simplefilter("ignore")
wrong = []


def check(path):
    name = os.path.basename(path)
    with open(os.path.splitext(path)[0] + ".json", encoding="utf-8") as file:
        want = json.load(file)
    read = comtrade.Comtrade(use_double_precision=True, ignore_warnings=True)
    read.load(path)

    def differs(what, seen, expected):
        wrong.append(f"{name}: {what} is {seen}, expected {expected}")

    # JSON has no order: channels are told by their names.
    analogs, statuses = read.analog_channel_ids, read.status_channel_ids
    if sorted(analogs) != sorted(want["values"]) or sorted(statuses) != sorted(want["bits"]):
        differs("channels", analogs + statuses, [*want["values"], *want["bits"]])
        return
    if read.total_samples != len(want["times_s"]):
        differs("samples", read.total_samples, len(want["times_s"]))
    for label, values in want["values"].items():
        channel = analogs.index(label)
        for n, expected in enumerate(values):
            seen = read.analog[channel][n]
            if expected is None:
                # This version does not know the code for a missing FLOAT32 sample.
                code = read.cfg.analog_channels[channel]
                missing = code.a * -3.4028234663852886e38 + code.b
                ok = math.isnan(seen) or (read.ft == "FLOAT32" and math.isclose(seen, missing, rel_tol=1e-6))
            else:
                ok = abs(seen - expected) <= max(want["lsb"][label], 1e-6 * abs(expected))
            if not ok:
                differs(f"{label}[{n}]", seen, expected)
    for label, bits in want["bits"].items():
        seen = list(read.status[statuses.index(label)])
        if seen != bits:
            differs(label, seen, bits)
    for n, expected in enumerate(want["times_s"]):
        if abs(read.time[n] - expected) > 2e-6:
            differs(f"time[{n}]", read.time[n], expected)
            break
    if abs(read.trigger_time - want["trigger_s"]) > 1.5e-6:
        differs("trigger", read.trigger_time, want["trigger_s"])


files = sorted(
    path
    for path in glob.glob(os.path.join(sys.argv[1], "*"))
    if path.lower().endswith((".cfg", ".cff")) and os.path.exists(os.path.splitext(path)[0] + ".json")
)
for path in files:
    check(path)
MOST = 20
print("\n".join(wrong[:MOST]) or f"{len(files)} files agree")
if len(wrong) > MOST:
    print(f"and {len(wrong) - MOST} more")
sys.exit(1 if wrong or not files else 0)
