#!/usr/bin/env python3
"""Operating points and transients of random arrays, computed by ngspice.

    python3 tests/reference/array_ngspice.py            writes tests/data/ngspice/points.toml and transients.toml
    python3 tests/reference/array_ngspice.py --check    makes them again and compares with what is stored

Needs ngspice (Debian: ngspice) and Python's standard library. Arrays are drawn, not real ones. The netlists are written from
the description of the parts in this file alone: ngspice's own diode for the cells, a behavioural source for bypass diode and
battery, one resistor for every conductor. host/plant/tests/ngspice.rs reads the stored values.
"""

import argparse
import math
import random
import re
import subprocess
import sys
import tempfile
from pathlib import Path

DATA = Path(__file__).resolve().parent.parent / "data" / "ngspice"
POINTS = 144
SEED = 20260601

# ngspice: CONSTboltz/CHARGE at 27 C; the temperature of the netlist is left there, so the diode's N alone sets n*Vt.
VT = 1.38064852e-23 * 300.15 / 1.6021766208e-19
BOLTZMANN_EV = 8.617333262e-5

# De Soto parameters at 1000 W/m2, 25 C: a (V), IL (A), I0 (A), Rs, Rsh (ohm), alpha (A/K).
KINDS = {
    "mono60-300w": (1.565, 9.784, 9e-11, 0.278, 436.0, 0.00416),
    "mono72-400w": (1.837, 10.35, 2.25e-11, 0.248, 294.0, 0.00334),
}
# Reference bridge: divider and switched resistors, S.
G_DIVIDER, G_SWITCH = 0.5e-6, 5e-6


def module(kind, suns, cell_c):
    """IL, I0, Rs, Rsh (None: open), a of De Soto, Klein and Beckman (2006), silicon."""
    a, il, i0, rs, rsh, alpha = KINDS[kind]
    t, t0 = cell_c + 273.15, 298.15
    gap0 = 1.121
    gap = gap0 * (1 - 0.0002677 * (t - t0))
    i0 *= (t / t0) ** 3 * math.exp((gap0 / t0 - gap / t) / BOLTZMANN_EV)
    return suns * (il + alpha * (t - t0)), i0, rs, rsh / suns if suns > 0 else None, a * t / t0


def best_volts(case):
    """Voltage between the poles at which the unshaded array gives most: golden section over the string's current."""
    il, i0, rs, rsh, a = module(case["module"], case["irradiance_w_m2"] / 1000, case["cell_temp_c"])
    n = case["modules_per_string"]
    cable = case["string_cable_ohm"] + 2 * case["main_cable_ohm"] * case["strings"]

    def volts(i):
        lo, hi = -5.0, 80.0
        for _ in range(200):
            x = 0.5 * (lo + hi)
            if il - i0 * math.expm1(min(x / a, 500)) - x / rsh > i:
                lo = x
            else:
                hi = x
        return n * (0.5 * (lo + hi) - i * rs) - i * cable

    lo, hi = 0.0, il
    for _ in range(120):
        c, d = lo + 0.381966 * (hi - lo), lo + 0.618034 * (hi - lo)
        if c * volts(c) > d * volts(d):
            hi = d
        else:
            lo = c
    return volts(0.5 * (lo + hi))


class Draw:
    """Draws from random() alone, which Python promises to keep."""

    def __init__(self, seed):
        self.rng = random.Random(seed)

    def between(self, low, high):
        return low + (high - low) * self.rng.random()

    def log(self, low, high):
        return low * (high / low) ** self.rng.random()

    def whole(self, low, high):
        return low + int(self.rng.random() * (high - low + 1))

    def chance(self, share):
        return self.rng.random() < share

    def one(self, among):
        return among[self.whole(0, len(among) - 1)]


def rounded(value):
    return float(f"{value:.6g}")


def draw_array(d, k):
    case = {
        "name": f"case-{k:03}",
        "module": d.one(sorted(KINDS)),
        "strings": d.whole(1, 6),
        "modules_per_string": d.whole(3, 20),
        "string_cable_ohm": d.one([0.0, rounded(d.log(0.02, 2.0))]),
        "main_cable_ohm": d.one([0.0, rounded(d.log(0.005, 0.5))]),
        "insulation_mohm_per_module": rounded(d.log(1.0, 5000.0)),
        "leakage_nf_per_module": rounded(d.log(2.0, 100.0)),
        "irradiance_w_m2": rounded(d.between(80.0, 1150.0)),
        "cell_temp_c": rounded(d.between(-15.0, 75.0)),
        "earthing": ["negative-bonded", "positive-bonded", "high-resistance", "not-earthed"][k % 4],
        "fuse_ohm": rounded(d.log(0.02, 1.0)),
        "shunt_ohm": 0.1,
        "high_resistance_ohm": rounded(d.log(50.0, 50e3)),
        "ground": {},
        "load": d.one(["none", "battery", "working-point"]),
        "battery_ohm": rounded(d.log(0.02, 1.0)),
        "shade": [],
        "fault": [],
        "person": None,
        "contactor_closed": d.chance(0.6),
        "bond_open": d.chance(0.3),
        "bridge_pos": d.chance(0.3),
        "bridge_neg": d.chance(0.3),
    }
    case["battery_v"] = rounded(case["modules_per_string"] * d.between(20.0, 34.0))
    return case


def draw_ground(d, case):
    ground = case["ground"]
    ground["egc_ohm"] = d.one([rounded(d.log(0.02, 5.0)), math.inf])
    ground["bar_electrode_ohm"] = rounded(d.log(3.0, 200.0))
    if d.chance(0.7):
        ground["array_electrode_ohm"] = rounded(d.log(3.0, 500.0))
    if d.chance(0.3):
        ground["electrode_tie_ohm"] = rounded(d.log(0.02, 5.0))
    if d.chance(0.4):
        ground["earth_potential_v"] = rounded(d.between(-400.0, 400.0))
    # Frames that nothing holds are at the mercy of gigohms, where ngspice's own gmin is no longer nothing.
    if ground["egc_ohm"] == math.inf and "array_electrode_ohm" not in ground:
        ground["array_electrode_ohm"] = rounded(d.log(3.0, 500.0))


def draw_place(d, case):
    kind = d.one(["tap", "tap", "tap", "positive", "negative"])
    if kind == "tap":
        return {
            "string": d.whole(1, case["strings"]),
            "position": d.whole(0, case["modules_per_string"]),
        }
    return {"conductor": kind, "at": d.one(["array", "monitor"])}


def draw_point(k):
    d = Draw(SEED + k)
    case = draw_array(d, k)
    if d.chance(0.4):
        draw_ground(d, case)
    if d.chance(0.35):
        for _ in range(d.whole(1, 2)):
            first = d.whole(1, case["modules_per_string"])
            last = d.whole(first, case["modules_per_string"])
            light = d.one([rounded(d.between(0.05, 0.9)), 0.0])
            case["shade"].append([d.whole(1, case["strings"]), first, last, light])
    for _ in range(k // 4 % 3):
        fault = draw_place(d, case)
        fault["ohm"] = rounded(d.log(0.05, 1e6))
        fault["to"] = d.one(["frame", "frame", "soil"])
        case["fault"].append(fault)
    if d.chance(0.25) and case["earthing"] != "not-earthed":
        pole = "positive" if case["earthing"] == "positive-bonded" else "negative"
        end = d.one(["array", "monitor"])
        to = "bar" if end == "monitor" else "frame"
        case["fault"].append({"conductor": pole, "at": end, "ohm": rounded(d.log(0.05, 20.0)), "to": to})
    if d.chance(0.2):
        case["person"] = {
            "touches": d.one(["frame", "positive", "negative"]),
            "at": d.one(["array", "monitor"]),
            "ohm": rounded(d.log(500.0, 5000.0)),
            "feet_ohm": rounded(d.log(10.0, 5000.0)),
        }
    return case


class Netlist:
    """One array as text for ngspice; node 0 is the grounding bar."""

    def __init__(self, case, transient=False):
        self.case = case
        self.lines = [f"* {case['name']}"]
        self.count = 0
        self.models = {}
        self.transient = transient
        self.ground()
        self.array()
        self.earthing()
        self.load()
        self.faults()

    def add(self, kind, text):
        self.count += 1
        name = f"{kind}{self.count}"
        self.lines.append(f"{name} {text}")
        return name

    def resistor(self, a, b, ohm):
        if a != b and ohm != math.inf:
            self.add("R", f"{a} {b} {ohm!r}")

    def meter(self, name, a, b):
        self.lines.append(f"Vm{name} {a} {b} 0")

    def ground(self):
        g = self.case["ground"]
        self.frame = "fr" if g.get("egc_ohm", 0) > 0 else "0"
        self.soil_bar = "sb" if g.get("bar_electrode_ohm", 0) > 0 else "0"
        self.soil = "sa" if "earth_potential_v" in g else self.soil_bar
        if self.frame != "0":
            self.meter("egc", self.frame, "egc")
            self.resistor("egc", "0", g["egc_ohm"])
            if g["egc_ohm"] == math.inf:
                self.lines.append("Rbroken egc 0 1e15")
        if self.soil_bar != "0":
            self.resistor("0", self.soil_bar, g["bar_electrode_ohm"])
        if self.soil == "sa":
            self.add("V", f"sa {self.soil_bar} {g['earth_potential_v']!r}")
        if "array_electrode_ohm" in g:
            self.resistor(self.frame, self.soil, g["array_electrode_ohm"])
        if "electrode_tie_ohm" in g:
            self.resistor(self.frame, "0", g["electrode_tie_ohm"])

    def cells(self, p, n, suns):
        il, i0, rs, rsh, a = module(self.case["module"], suns, self.case["cell_temp_c"])
        key = (i0, a)
        model = self.models.setdefault(key, f"cell{len(self.models)}")
        self.count += 1
        inner = f"x{self.count}"
        self.lines.append(f"Iph{self.count} {n} {inner} {il!r}")
        self.lines.append(f"D{self.count} {inner} {n} {model}")
        if rsh:
            self.resistor(inner, n, rsh)
        self.resistor(inner, p, rs)
        # Schottky: 0.1 uA, 27 mV an e-fold, 100 S from where the exponential is that steep.
        knee = math.log(100 * 0.027 / 1e-7)
        u = f"V({n},{p})"
        self.add("B", f"{n} {p} I=1e-7*(exp(min({u}/0.027,{knee!r}))-1)+100*max({u}-{knee * 0.027!r},0)")

    def leak(self, node, halves):
        c = self.case
        self.resistor(node, self.frame, c["insulation_mohm_per_module"] * 2e6 / halves)
        if self.transient and node != self.frame:
            self.add("C", f"{node} {self.frame} {c['leakage_nf_per_module'] * 0.5e-9 * halves!r}")

    def array(self):
        c = self.case
        main, cable = c["main_cable_ohm"], c["string_cable_ohm"]
        self.joint = {"positive": "jp" if main > 0 else "pos", "negative": "jn" if main > 0 else "neg"}
        self.resistor("pos", self.joint["positive"], main)
        self.resistor("neg", self.joint["negative"], main)
        n = c["modules_per_string"]
        for s in range(1, c["strings"] + 1):
            light = [c["irradiance_w_m2"] / 1000] * n
            for string, first, last, share in c["shade"]:
                if string == s:
                    light[first - 1 : last] = [c["irradiance_w_m2"] / 1000 * share] * (last - first + 1)
            for k in range(n):
                top = "m" if k + 1 == n and cable == 0 else ""
                self.cells(f"s{s}_{k + 1}{top}", f"s{s}_{k}", light[k])
            for k in range(n + 1):
                self.leak(f"s{s}_{k}", 1 if k in (0, n) else 2)
            if cable > 0:
                self.resistor(self.joint["negative"], f"s{s}_0", cable / 2)
                self.resistor(f"s{s}_{n}", f"top{s}", cable / 2)
                self.meter(f"s{s}", f"top{s}", self.joint["positive"])
            else:
                # The ends are the joints: what hangs on them is no longer the string's.
                self.meter(f"n{s}", self.joint["negative"], f"s{s}_0")
                self.meter(f"p{s}", f"s{s}_{n}", self.joint["positive"])
                self.meter(f"s{s}", f"s{s}_{n}m", f"s{s}_{n}")

    def earthing(self):
        c = self.case
        kind = c["earthing"]
        self.bonded = {"negative-bonded": "neg", "high-resistance": "neg", "positive-bonded": "pos"}.get(kind)
        ohm = c["high_resistance_ohm"] if kind == "high-resistance" else c["fuse_ohm"]
        self.bond_ohm = ohm + c["shunt_ohm"]
        for pole in ("pos", "neg"):
            self.resistor(pole, "0", 1 / G_DIVIDER)
        if self.transient:
            return
        if self.bonded and not c["bond_open"]:
            self.meter("bond", self.bonded, "bond")
            self.resistor("bond", "0", self.bond_ohm)
        for pole in ("pos", "neg"):
            if c[f"bridge_{pole}"]:
                self.resistor(pole, "0", 1 / G_SWITCH)

    def load(self):
        c = self.case
        if c["load"] == "none" or not c["contactor_closed"]:
            return
        # The contactor stands in the conductor that is not grounded.
        if self.bonded == "pos":
            p, n = "pos", "load"
            self.meter("contactor", "load", "neg")
        else:
            p, n = "load", "neg"
            self.meter("contactor", "pos", "load")
        if c["load"] == "battery":
            over = f"max(V({p},{n})-{c['battery_v']!r},0)"
            knee = f"min({over},0.2)"
            self.add("B", f"{p} {n} I={1 / c['battery_ohm']!r}*({knee}*{knee}/0.4+({over}-{knee}))")
        else:
            self.add("V", f"{p} {n} {best_volts(c)!r}")

    def place(self, fault):
        if "string" in fault:
            return f"s{fault['string']}_{fault['position']}"
        if fault["at"] == "array":
            return self.joint[fault["conductor"]]
        return fault["conductor"][:3]

    def faults(self):
        for k, fault in enumerate(self.case["fault"]):
            end = {"frame": self.frame, "soil": self.soil, "bar": "0"}[fault["to"]]
            self.meter(f"f{k}", self.place(fault), f"f{k}")
            self.resistor(f"f{k}", end, fault["ohm"])
        person = self.case["person"]
        if person:
            touched = self.frame if person["touches"] == "frame" else self.place(
                {"conductor": person["touches"], "at": person["at"]}
            )
            if touched != self.soil:
                self.meter("person", touched, "person")
                self.resistor("person", self.soil, person["ohm"] + person["feet_ohm"])

    def text(self, control):
        models = [f".model {name} D(IS={i0!r} N={a / VT!r})" for (i0, a), name in self.models.items()]
        if self.transient:
            # Tighter, and frames that float on their electrodes are stepped through for ever.
            options = ".options method=gear reltol=1e-6 abstol=1e-12 vntol=1e-8 gmin=1e-12 itl1=500"
        else:
            options = ".options reltol=1e-7 abstol=1e-14 vntol=1e-9 gmin=1e-15 itl1=2000"
        return "\n".join([*self.lines, *models, options, ".temp 27", ".options tnom=27", *control, ".end", ""])

    def has(self, meter):
        return any(line.startswith(f"Vm{meter} ") for line in self.lines)


def ngspice(text):
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "case.cir"
        path.write_text(text)
        command = ["ngspice", "-b", str(path)]
        try:
            done = subprocess.run(command, cwd=folder, capture_output=True, text=True, check=False, timeout=120)
        except subprocess.TimeoutExpired:
            sys.exit(f"{text.splitlines()[0]}: ngspice does not come to an end")
        except FileNotFoundError:
            sys.exit("ngspice is not installed; on Debian: apt-get install ngspice")
        return done.stdout + done.stderr


def solve_point(case):
    net = Netlist(case)
    wanted = {"v_pos": "v(pos)", "v_neg": "v(neg)"}
    if net.has("bond"):
        wanted["i_bond_a"] = "i(vmbond)"
    for s in range(1, case["strings"] + 1):
        wanted[f"string{s}"] = f"i(vms{s})"
    for k in range(len(case["fault"])):
        wanted[f"fault{k}"] = f"i(vmf{k})"
    if net.has("egc"):
        wanted["egc_a"] = "i(vmegc)"
        wanted["v_frame"] = "v(fr)"
    if net.has("person"):
        wanted["person_a"] = "i(vmperson)"
    control = [".control", "set numdgt=14", "op", *(f"print {v}" for v in wanted.values()), ".endc"]
    said = ngspice(net.text(control))
    found = dict(re.findall(r"^(\S+) = (\S+)$", said, re.MULTILINE))
    missing = [v for v in wanted.values() if v not in found]
    if missing or "singular" in said.lower():
        sys.exit(f"{case['name']}: ngspice gave no {missing}:\n{said}")
    value = {name: float(found[v]) for name, v in wanted.items()}
    bond_a = value.get("i_bond_a", 0.0)
    if case["earthing"] == "not-earthed":
        bond_a = sum(
            value[f"v_{p}"] * (G_DIVIDER + (G_SWITCH if case[f"bridge_{p}"] else 0)) for p in ("pos", "neg")
        )
    result = {
        "v_pos": value["v_pos"],
        "v_neg": value["v_neg"],
        "i_bond_a": bond_a,
        "string_currents_a": [value[f"string{s}"] for s in range(1, case["strings"] + 1)],
        "fault_currents_a": [value[f"fault{k}"] for k in range(len(case["fault"]))],
    }
    for name in ("egc_a", "v_frame", "person_a"):
        if name in value:
            result[name] = value[name]
    return result


STEP_S = 0.01
STATE_S = 0.5


def transient_cases():
    """The two-state measurement of arrays that are hard in different ways."""
    plain = {
        "module": "mono60-300w", "strings": 2, "modules_per_string": 10, "string_cable_ohm": 0.2,
        "main_cable_ohm": 0.05, "insulation_mohm_per_module": 400.0, "leakage_nf_per_module": 60.0,
        "irradiance_w_m2": 800.0, "cell_temp_c": 45.0, "earthing": "negative-bonded", "fuse_ohm": 0.2,
        "shunt_ohm": 0.1, "high_resistance_ohm": 5000.0, "ground": {}, "load": "none", "battery_v": 300.0,
        "battery_ohm": 0.1, "shade": [], "fault": [], "person": None, "contactor_closed": False,
        "bond_open": True, "bridge_pos": False, "bridge_neg": False,
    }

    def tap(string, position, ohm, to="frame"):
        return {"string": string, "position": position, "ohm": ohm, "to": to}

    rods = {"egc_ohm": math.inf, "bar_electrode_ohm": 30.0, "array_electrode_ohm": 120.0}
    changes = {
        "healthy": {},
        "large-capacitance": {"leakage_nf_per_module": 400.0},
        "small-capacitance": {"leakage_nf_per_module": 2.0},
        "poor-insulation": {"insulation_mohm_per_module": 3.0},
        "fault-in-string": {"fault": [tap(1, 4, 200e3)]},
        "hard-fault-in-string": {"fault": [tap(1, 6, 50.0)]},
        "bolted-fault-in-string": {"fault": [tap(2, 3, 0.05)], "leakage_nf_per_module": 400.0},
        "two-faults": {"fault": [tap(1, 10, 100e3), tap(2, 2, 30e3)]},
        "two-hard-faults": {"fault": [tap(1, 8, 20.0), tap(2, 2, 20.0)]},
        "shade": {"shade": [[1, 3, 6, 0.2]], "fault": [tap(1, 5, 300e3)]},
        "module-in-the-dark": {"shade": [[1, 5, 5, 0.0]], "strings": 1},
        "module-in-the-dark-of-two-strings": {"shade": [[1, 5, 5, 0.0]], "fault": [tap(1, 8, 400e3)]},
        "half-a-string-in-the-dark": {"shade": [[1, 1, 5, 0.0]], "strings": 1, "leakage_nf_per_module": 200.0},
        "dusk": {"irradiance_w_m2": 2.0, "shade": [[1, 4, 7, 0.1]], "strings": 1, "leakage_nf_per_module": 200.0},
        "dark-middle-with-fault": {
            "shade": [[1, 4, 7, 0.0]], "strings": 1, "leakage_nf_per_module": 200.0, "fault": [tap(1, 9, 100e3)],
        },
        "dark-top-with-fault-below": {
            "shade": [[1, 6, 10, 0.0]], "strings": 1, "leakage_nf_per_module": 200.0, "fault": [tap(1, 2, 50e3)],
        },
        "dark-ends": {
            "shade": [[1, 1, 3, 0.0], [1, 8, 10, 0.0]], "strings": 1, "leakage_nf_per_module": 400.0,
            "insulation_mohm_per_module": 5000.0,
        },
        "first-light": {
            "irradiance_w_m2": 0.05, "leakage_nf_per_module": 200.0, "fault": [tap(1, 7, 1e6)], "cell_temp_c": 5.0,
        },
        "broken-egc": {"ground": rods, "fault": [tap(1, 4, 50e3)]},
        "fault-to-soil": {"ground": rods, "fault": [tap(2, 9, 20e3, "soil")], "leakage_nf_per_module": 200.0},
        "positive-bonded": {"earthing": "positive-bonded", "fault": [tap(1, 2, 150e3)]},
        "high-resistance": {"earthing": "high-resistance", "fault": [tap(1, 9, 80e3)]},
        "not-earthed": {"earthing": "not-earthed", "module": "mono72-400w", "strings": 4, "modules_per_string": 18},
    }
    return [{**plain, "name": name, **change} for name, change in changes.items()]


def solve_transient(case):
    """Bond closed; from 0.5 s open with the bridge at the positive, from 1 s at the negative, from 1.5 s at none."""
    net = Netlist(case, transient=True)

    def steps(levels):
        points = [f"0 {levels[0]}"]
        for k in range(1, len(levels)):
            if levels[k] != levels[k - 1]:
                points += [f"{k * STATE_S!r} {levels[k - 1]}", f"{k * STATE_S + 1e-7!r} {levels[k]}"]
        return f"PWL({' '.join(points)})"

    for name, pole, siemens, levels in [
        ("bond", net.bonded, 1 / net.bond_ohm, [1, 0, 0, 0]),
        ("bpos", "pos", G_SWITCH, [0, 1, 0, 0]),
        ("bneg", "neg", G_SWITCH, [0, 0, 1, 0]),
    ]:
        if pole:
            net.lines.append(f"Vc{name} c{name} 0 {steps(levels)}")
            net.lines.append(f"Bs{name} {pole} 0 I=V({pole})*{siemens!r}*V(c{name})")
    end = 4 * STATE_S
    with tempfile.TemporaryDirectory() as folder:
        out = Path(folder) / "out.txt"
        control = [
            ".control",
            "set numdgt=10",
            "set wr_singlescale",
            f"tran {STEP_S / 20!r} {end!r} 0 {STEP_S / 20!r}",
            "linearize v(pos) v(neg)",
            f"wrdata {out} v(pos) v(neg)",
            ".endc",
        ]
        said = ngspice(net.text(control))
        if not out.exists():
            sys.exit(f"{case['name']}: ngspice wrote nothing:\n{said}")
        rows = [[float(x) for x in line.split()] for line in out.read_text().splitlines()]
    times, pos, neg = [], [], []
    for t, p, n in rows:
        ticks = t / STEP_S
        # 10 ms apart, each two thousandths of a second past a tick: no sample on an edge.
        if abs(ticks - round(ticks) - 0.2) < 1e-6:
            times.append(round(t, 6))
            pos.append(float(f"{p:.7g}"))
            neg.append(float(f"{n:.7g}"))
    if len(times) != round(end / STEP_S):
        sys.exit(f"{case['name']}: {len(times)} samples:\n{said}")
    return {"first_s": times[0], "v_pos": pos, "v_neg": neg}


def toml_value(value):
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return f'"{value}"'
    if isinstance(value, float):
        return "inf" if value == math.inf else repr(value)
    if isinstance(value, list):
        parts, lines, line = [toml_value(v) for v in value], [], ""
        for part in parts:
            if len(line) + len(part) > 110:
                lines.append(line)
                line = ""
            line += part + ", "
        lines.append(line.rstrip(", "))
        inner = "\n    ".join(lines)
        return f"[{inner}]"
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{k} = {toml_value(v)}" for k, v in value.items()) + " }"
    return repr(value)


def write(path, cases):
    text = [
        "# Made by tests/reference/array_ngspice.py with ngspice: do not edit. Arrays are drawn, not real ones.",
        "# Currents in A, voltages in V against the grounding bar.",
    ]
    for case, result in cases:
        text.append("\n[[case]]")
        text += [f"{k} = {toml_value(v)}" for k, v in case.items() if v is not None]
        text.append("[case.expect]")
        text += [f"{k} = {toml_value(v)}" for k, v in result.items()]
    path.write_text("\n".join(text) + "\n")


def numbers(value, path=""):
    if isinstance(value, dict):
        for k, v in value.items():
            yield from numbers(v, f"{path}.{k}")
    elif isinstance(value, list):
        for k, v in enumerate(value):
            yield from numbers(v, f"{path}[{k}]")
    else:
        yield path, value


def compare(path, cases, part, floor):
    """Another version of ngspice may step differently; parts in a million at rest, parts in ten thousand on the way."""
    import tomllib

    stored = tomllib.loads(path.read_text())["case"]
    if [c["name"] for c in stored] != [case["name"] for case, _ in cases]:
        sys.exit(f"{path}: other cases than the script draws; run it without --check")
    worst = 0.0
    for old, (case, result) in zip(stored, cases):
        expect = old.pop("expect")
        if old != {k: v for k, v in case.items() if v is not None}:
            sys.exit(f"{path}: {case['name']} is not what the script draws; run it without --check")
        before = list(numbers(expect))
        after = list(numbers(result))
        if [name for name, _ in before] != [name for name, _ in after]:
            sys.exit(f"{path}: {case['name']}: other values than the script makes")
        for (name, a), (_, b) in zip(before, after):
            off = abs(a - b) / (part * max(abs(a), abs(b)) + floor)
            worst = max(worst, off)
            if off > 1:
                sys.exit(f"{path}: {case['name']}{name}: stored {a!r}, ngspice now says {b!r}")
    print(f"{path.name}: {len(cases)} cases, worst difference {worst:.3f} of what is allowed")


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--check", action="store_true", help="compare with what is stored, write nothing")
    check = parser.parse_args().check
    points = [(case, solve_point(case)) for case in map(draw_point, range(POINTS))]
    transients = [(case, solve_transient(case)) for case in transient_cases()]
    for name, cases, part, floor in [
        ("points.toml", points, 1e-5, 1e-9),
        ("transients.toml", transients, 1e-4, 0.02),
    ]:
        if check:
            compare(DATA / name, cases, part, floor)
        else:
            DATA.mkdir(parents=True, exist_ok=True)
            write(DATA / name, cases)
            print(f"{DATA / name}: {len(cases)} cases")


if __name__ == "__main__":
    main()
