#!/usr/bin/env python3
"""I-V points of the modules over light and temperature, computed by pvlib.

    python3 tests/reference/module_pvlib.py            writes tests/data/pvlib/modules.csv
    python3 tests/reference/module_pvlib.py --check    makes them again and compares with what is stored

Needs pvlib (pip install pvlib==0.16.1). calcparams_desoto, singlediode and i_from_v by Lambert's W, which is another way to
the same equation than the Newton steps of the plant. pvlib has no bypass diode: the reverse side is the cells' alone, down to
where the diode of the plant takes over (its current there is stated apart, by its own formula). host/plant/tests/pvlib.rs reads the values.
"""

import argparse
import csv
import math
import sys
from pathlib import Path

import numpy as np
from pvlib import pvsystem

DATA = Path(__file__).resolve().parent.parent / "data" / "pvlib" / "modules.csv"
# a (V), IL (A), I0 (A), Rs, Rsh (ohm), alpha (A/K) at 1000 W/m2, 25 C.
KINDS = {
    "mono60-300w": (1.565, 9.784, 9e-11, 0.278, 436.0, 0.00416),
    "mono72-400w": (1.837, 10.35, 2.25e-11, 0.248, 294.0, 0.00334),
}
LIGHT = [1, 5, 20, 50, 100, 200, 400, 600, 800, 1000, 1200, 1400]
CELLS = [-30, -10, 0, 25, 45, 65, 90]
# Reverse of the cells, V.
REVERSE = [-0.1, -0.3, -0.5]


def bypass_a(reverse_v):
    """Schottky of 0.1 uA and 27 mV an e-fold; 100 S from where the exponential is that steep."""
    knee = math.log(100 * 0.027 / 1e-7)
    e = reverse_v / 0.027
    return 1e-7 * math.expm1(min(e, knee)) + 100 * max(reverse_v - knee * 0.027, 0)


def rows():
    for name, (a, il, i0, rs, rsh, alpha) in sorted(KINDS.items()):
        for light in LIGHT:
            for cell in CELLS:
                il_, i0_, rs_, rsh_, a_ = pvsystem.calcparams_desoto(
                    light, cell, alpha, a, il, i0, rsh, rs, EgRef=1.121, dEgdT=-0.0002677
                )
                one = pvsystem.singlediode(il_, i0_, rs_, rsh_, a_, method="lambertw")
                v_oc = float(one["v_oc"])
                row = {
                    "module": name,
                    "irradiance_w_m2": light,
                    "cell_temp_c": cell,
                    "i_sc_a": float(one["i_sc"]),
                    "v_oc_v": v_oc,
                    "p_mp_w": float(one["p_mp"]),
                    "v_mp_v": float(one["v_mp"]),
                }
                volts = [*REVERSE, *(v_oc * k / 10 for k in range(1, 12))]
                amps = pvsystem.i_from_v(np.array(volts), il_, i0_, rs_, rsh_, a_, method="lambertw")
                for k, (v, i) in enumerate(zip(volts, amps)):
                    row[f"v{k}_v"] = v
                    row[f"i{k}_a"] = float(i) + (bypass_a(-v) if v < 0 else 0.0)
                yield row


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--check", action="store_true", help="compare with what is stored, write nothing")
    check = parser.parse_args().check
    made = [{k: v if isinstance(v, str) else f"{v:.10g}" for k, v in row.items()} for row in rows()]
    if not check:
        DATA.parent.mkdir(parents=True, exist_ok=True)
        with DATA.open("w", newline="") as file:
            writer = csv.DictWriter(file, made[0], lineterminator="\n")
            writer.writeheader()
            writer.writerows(made)
        print(f"{DATA}: {len(made)} curves")
        return
    with DATA.open(newline="") as file:
        stored = list(csv.DictReader(file))
    if len(stored) != len(made):
        sys.exit(f"{DATA}: {len(stored)} curves, the script makes {len(made)}; run it without --check")
    worst = 0.0
    for line, (old, new) in enumerate(zip(stored, made), start=2):
        if old.keys() != new.keys() or old["module"] != new["module"]:
            sys.exit(f"{DATA}:{line}: other columns or modules than the script makes; run it without --check")
        for key in new:
            if key == "module":
                continue
            a, b = float(old[key]), float(new[key])
            # The maximum is flat: its voltage is known to parts in ten thousand only.
            part = 1e-4 if key == "v_mp_v" else 1e-6
            off = abs(a - b) / (part * max(abs(a), abs(b)) + 1e-9)
            worst = max(worst, off)
            if off > 1:
                sys.exit(f"{DATA}:{line}: {key}: stored {a!r}, pvlib now says {b!r}")
    print(f"{DATA.name}: {len(made)} curves, worst difference {worst:.3f} of what is allowed")


if __name__ == "__main__":
    main()
