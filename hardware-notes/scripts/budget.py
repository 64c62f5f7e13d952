"""The error budget from the parts' tolerances: currents, poles, bridge, insulation, filter, pulses.

Half-widths of parts count as rectangular, divided by the root of three (JCGM 100:2008, 4.3.7); "uncertainty" is expanded, k = 2.
Derivatives are taken by the package `uncertainties`, and the same model is drawn with numpy (JCGM 101:2008) and must agree.
"""

import math
import re
from functools import lru_cache

import numpy as np
from uncertainties import ufloat
from parts import CONDITIONS, NOTES, PARTS, ohms

FROM_CALIBRATION_K = max(
    CONDITIONS["warm_c"] - CONDITIONS["calibrated_at_c"], CONDITIONS["calibrated_at_c"] - CONDITIONS["cold_c"]
)
# What a calibration leaves, one standard deviation (calibration.md): a reference of 0.2 % (k = 2) for currents, 0.1 % for the bridge.
CALIBRATED_CURRENT = 0.001
CALIBRATED_BRIDGE = 0.0005
# Two channels on one source differ by their noise alone.
CALIBRATED_BETWEEN_POLES = 0.00005
# Noise of a pole, V a sample (the simulated board's), over a second at 4 kS/s.
POLE_NOISE_V = 0.1 / math.sqrt(4000)


def rectangular(half_width):
    return half_width / math.sqrt(3)


def rss(parts):
    return math.sqrt(sum(part * part for part in parts))


def percent(part, digits=2):
    return f"{100 * part:.{digits}f} %"


# --- bond current -----------------------------------------------------------------------------------------------------


def current_errors(amplifier, calibrated):
    """Half-widths: of the gain as parts, of the zero in A."""
    amp, adc, shunt = PARTS[amplifier], PARTS["U3"], PARTS["R1"]
    kelvin = FROM_CALIBRATION_K
    gain = [shunt["tempco_ppm_k"], amp["gain_tempco_ppm_k"], adc["reference_tempco_ppm_k"]]
    gain = [ppm * 1e-6 * kelvin for ppm in gain]
    at_shunt = 1e-6 / shunt["ohm"]
    zero = [
        amp["offset_drift_uv_k"] * kelvin * at_shunt,
        adc["offset_drift_uv_k"] * kelvin * at_shunt / amp["gain"],
        adc["inl_counts"] * adc["range_v"] / 2 ** (adc["bits"] - 1) / amp["gain"] / shunt["ohm"],
    ]
    if not calibrated:
        tolerances = [shunt["tolerance_percent"], amp["gain_tolerance_percent"], adc["reference_tolerance_percent"]]
        gain += [p / 100 for p in tolerances]
        zero += [amp["offset_uv"] * at_shunt, adc["offset_uv"] * at_shunt / amp["gain"]]
    return gain, zero


def current_expanded(amplifier, calibrated, amps):
    gain, zero = current_errors(amplifier, calibrated)
    sigma = [rectangular(part) * amps for part in gain] + [rectangular(a) for a in zero]
    if calibrated:
        sigma.append(CALIBRATED_CURRENT * amps)
    return 2 * rss(sigma)


def current_worst(amplifier, calibrated, amps):
    gain, zero = current_errors(amplifier, calibrated)
    return (sum(gain) + (2 * CALIBRATED_CURRENT if calibrated else 0)) * amps + sum(zero)


def currents():
    levels = [0.0, 0.030, 0.060, 0.150, 0.300, 1.0]
    lines = [
        "| range, state | " + " | ".join("zero" if a == 0 else f"{a * 1e3:g} mA" for a in levels) + " |",
        "|---|" + "---|" * len(levels),
    ]
    for amplifier, name in (("U1", "fine"), ("U2", "wide")):
        for calibrated, state in ((False, "as built"), (True, "calibrated")):
            cells = [f"{1e3 * current_expanded(amplifier, calibrated, a):.2f} mA" for a in levels]
            lines.append(f"| {name}, {state} | " + " | ".join(cells) + " |")
        cells = [f"{1e3 * current_worst(amplifier, True, a):.2f} mA" for a in levels]
        lines.append(f"| {name}, calibrated, everything at its worst at once | " + " | ".join(cells) + " |")
    return "\n".join(lines)


# --- poles and bridge -------------------------------------------------------------------------------------------------


def pole_ratio():
    upper = PARTS["R3"]["ohm"] * PARTS["R3"]["in_series"]
    return (upper + PARTS["R4"]["ohm"]) / PARTS["R4"]["ohm"]


def pole_full_scale_v():
    return PARTS["U3"]["range_v"] * pole_ratio()


def between_poles():
    """Gain of one pole channel against the other, one standard deviation as a part."""
    tracking = PARTS["R3"]["tracking_ppm_k"] * 1e-6 * FROM_CALIBRATION_K
    return rss([math.sqrt(2) * rectangular(tracking), CALIBRATED_BETWEEN_POLES])


def level_v():
    """A settled level of a pole: quantisation, linearity, drift of the zero. One standard deviation, V."""
    adc = PARTS["U3"]
    count = pole_full_scale_v() / 2 ** (adc["bits"] - 1)
    drift = adc["offset_drift_uv_k"] * 1e-6 * FROM_CALIBRATION_K * pole_ratio()
    return rss([count / math.sqrt(12), rectangular(adc["inl_counts"] * count), rectangular(drift), POLE_NOISE_V])


def bridge_parts():
    """(divider, switched resistor): one standard deviation after calibration, as parts."""
    r3, r4, r5 = PARTS["R3"], PARTS["R4"], PARTS["R5"]
    divider = r3["ohm"] * r3["in_series"] + r4["ohm"]
    leak = PARTS["S1 S2"]["leakage_na"] * 1e-9 / CONDITIONS["v_array_max"]
    surface = 1 / (PARTS["-"]["leak_gohm"] * 1e9)
    g_permanent = rss(
        [
            CALIBRATED_BRIDGE,
            rectangular(r3["tempco_ppm_k"] * 1e-6 * FROM_CALIBRATION_K),
            rectangular(leak * divider),
            rectangular(surface * divider),
        ]
    )
    each_w = (CONDITIONS["v_array_max"] / r5["in_series"]) ** 2 / r5["ohm"]
    warmer_k = each_w * r5["k_per_w"]
    g_switched = rss(
        [
            CALIBRATED_BRIDGE,
            rectangular(r5["tempco_ppm_k"] * 1e-6 * FROM_CALIBRATION_K),
            rectangular(r5["tempco_ppm_k"] * 1e-6 * warmer_k),
        ]
    )
    return g_permanent, g_switched


def firmware_budget():
    """What the firmware believes of its front end (firmware/src/insulation/fit.rs)."""
    text = (NOTES.parent / "firmware/src/insulation/fit.rs").read_text()
    return {name: float(v) for name, v in re.findall(r"const (BRIDGE_PART|GAIN_PART|LEVEL_V): f(?:32|64) = ([0-9.e-]+);", text)}


def bridge():
    believed = firmware_budget()
    g_permanent, g_switched = bridge_parts()
    rows = [
        ("each divider", percent(g_permanent, 3), percent(believed["BRIDGE_PART"]), g_permanent / believed["BRIDGE_PART"]),
        ("each switched resistor", percent(g_switched, 3), percent(believed["BRIDGE_PART"]), g_switched / believed["BRIDGE_PART"]),
        ("one pole channel against the other", percent(between_poles(), 3), percent(believed["GAIN_PART"]), between_poles() / believed["GAIN_PART"]),
        ("a settled level", f"{1e3 * level_v():.1f} mV", f"{1e3 * believed['LEVEL_V']:.0f} mV", level_v() / believed["LEVEL_V"]),
    ]
    lines = ["| one standard deviation | these parts | the firmware counts with |", "|---|---|---|"]
    for name, have, allowed, share in rows:
        if share > 1:
            raise SystemExit(f"parts.toml: {name}: {have}, but the firmware counts with {allowed}")
        lines.append(f"| {name} | {have} | {allowed} |")
    return "\n".join(lines)


def two_state(r_iso, volts, draw):
    """R_iso as the two bridge states give it (fault in the middle of the string). `draw(value, sigma, name)` makes a quantity."""
    r3, r4, r5 = PARTS["R3"], PARTS["R4"], PARTS["R5"]
    g_m = 1 / (r3["ohm"] * r3["in_series"] + r4["ohm"])
    g_s = 1 / (r5["ohm"] * r5["in_series"])
    g = 0.5 / r_iso
    u_permanent, u_switched = bridge_parts()
    at_pos, at_neg = draw(1.0, between_poles() / math.sqrt(2), "pole channels"), draw(1.0, between_poles() / math.sqrt(2), "pole channels")

    def measured(switched_pos, switched_neg):
        up, down = g + g_m + switched_pos, g + g_m + switched_neg
        v_pos = volts * down / (up + down)
        v_neg = v_pos - volts
        return at_pos * draw(v_pos, level_v(), "levels") / (-at_neg * draw(v_neg, level_v(), "levels"))

    a, b = measured(g_s, 0), measured(0, g_s)
    g_a, g_b = draw(g_s, u_switched * g_s, "switched resistors"), draw(g_s, u_switched * g_s, "switched resistors")
    m_pos, m_neg = draw(g_m, u_permanent * g_m, "dividers"), draw(g_m, u_permanent * g_m, "dividers")
    pos = (a * g_a + g_b) / (b - a)
    neg = a * (pos + g_a)
    return 1 / (pos - m_pos + neg - m_neg)


def by_derivatives(r_iso, volts):
    """(one standard deviation as a part, cause with the largest share)."""
    made = {}

    def draw(value, sigma, name):
        quantity = ufloat(value, sigma)
        made[quantity] = name
        return quantity

    r = two_state(r_iso, volts, draw)
    share = {}
    for quantity, error in r.error_components().items():
        share[made[quantity]] = share.get(made[quantity], 0.0) + error * error
    return r.std_dev / r_iso, max(share, key=share.get)


@lru_cache
def by_drawing(r_iso, volts, draws=400_000):
    random = np.random.default_rng(20261125)
    r = two_state(r_iso, volts, lambda value, sigma, _: value + sigma * random.standard_normal(draws))
    # Of conductances, whose errors are straight; of R the far tail has no mean.
    return float(np.std(r_iso / r))


def insulation():
    lines = ["| insulation | 600 V | mostly | 200 V | mostly |", "|---|---|---|---|---|"]
    for r_iso in (30e3, 100e3, 1e6, 10e6):
        cells = [ohms(r_iso)]
        for volts in (600.0, 200.0):
            part, cause = by_derivatives(r_iso, volts)
            drawn = by_drawing(r_iso, volts)
            if abs(drawn / part - 1) > 0.02:
                raise SystemExit(f"insulation of {ohms(r_iso)} at {volts} V: {part} by derivatives, {drawn} drawn")
            cells += [f"±{200 * part:.2f} %", cause]
        lines.append("| " + " | ".join(cells) + " |")
    return "\n".join(lines)


# --- anti-alias filter ------------------------------------------------------------------------------------------------


def filter_gain(hertz, r1, r2, c1, c2):
    """Sallen-Key low-pass of gain one: c1 to the output, c2 to earth."""
    s = 2j * math.pi * np.asarray(hertz)
    return abs(1 / (1 + s * c2 * (r1 + r2) + s * s * r1 * r2 * c1 * c2))


def filter_corners():
    """Every corner of the tolerances."""
    part = PARTS["R2 C1 C2"]
    r, c = part["r_tolerance_percent"] / 100, part["c_tolerance_percent"] / 100
    for k in range(16):
        sign = [1 if k >> n & 1 else -1 for n in range(4)]
        yield (
            part["ohm"] * (1 + sign[0] * r),
            part["ohm"] * (1 + sign[1] * r),
            part["farad_1"] * (1 + sign[2] * c),
            part["farad_2"] * (1 + sign[3] * c),
        )


def corner_hz(parts):
    r1, r2, c1, c2 = parts
    return 1 / (2 * math.pi * math.sqrt(r1 * r2 * c1 * c2))


def anti_alias():
    part = PARTS["R2 C1 C2"]
    nominal = (part["ohm"], part["ohm"], part["farad_1"], part["farad_2"])
    corners = list(filter_corners())
    lines = ["| at | passes | at the tolerances' worst | ripple allowed, peak (3.5 mA folded) |", "|---|---|---|---|"]
    for hertz in (50, 60, 150, 300):
        worst = max((filter_gain(hertz, *c) for c in corners), key=lambda g: abs(g - 1))
        lines.append(f"| {hertz} Hz | {100 * filter_gain(hertz, *nominal):.2f} % | {100 * worst:.2f} % | – |")
    for khz in (4, 8, 12, 16, 20):
        worst = max(filter_gain(khz * 1e3, *c) for c in corners)
        lines.append(
            f"| {khz} kHz | {100 * filter_gain(khz * 1e3, *nominal):.2f} % | {100 * worst:.2f} % | {3.5e-3 / worst:.2g} A |"
        )
    low, high = min(map(corner_hz, corners)), max(map(corner_hz, corners))
    lines.append(f"\nCorner {corner_hz(nominal):.0f} Hz, {low:.0f} to {high:.0f} Hz.")
    return "\n".join(lines)


# --- what the firmware demands ----------------------------------------------------------------------------------------


def demands():
    shunt, test = PARTS["R1"], PARTS["R6"]
    nominal = test["supply_v"] / (test["ohm"] + test["switch_ohm"] + shunt["ohm"])
    inject = (test["supply_tolerance_percent"] + test["tolerance_percent"]) / 100
    gain_fine, zero_fine = current_errors("U1", False)
    gain_wide, zero_wide = current_errors("U2", False)
    at = 1.25
    apart = sum(gain_fine) * at + sum(zero_fine) + sum(gain_wide) * at + sum(zero_wide)
    span = PARTS["U3"]["range_v"] / PARTS["U1"]["gain"] / shunt["ohm"], PARTS["U3"]["range_v"] / PARTS["U2"]["gain"] / shunt["ohm"]
    ends = [nominal * (1 + sign * inject) * (1 + sign * sum(gain_fine)) + sign * sum(zero_fine) for sign in (-1, 1)]
    test_off = max(abs(end - 0.1) for end in ends)
    rows = [
        ("test current, 100 mA ± 15 % in the fine range", f"{1e3 * nominal:.1f} mA, off by up to {1e3 * test_off:.1f} mA", test_off <= 0.015),
        ("the same within 40 mA in the wide range", f"{1e3 * (test_off + nominal * sum(gain_wide)):.1f} mA", test_off + nominal * sum(gain_wide) <= 0.040),
        ("ranges agree within 100 mA + 1/16 at 1.25 A", f"{1e3 * apart:.1f} mA of {1e3 * (0.1 + at / 16):.0f} mA", apart <= 0.1 + at / 16),
        ("zero within a fifth of 300 mA", f"{1e3 * sum(zero_fine):.2f} mA", sum(zero_fine) <= 0.06),
        ("zero told from 5 mA on", f"{1e3 * sum(zero_fine):.2f} mA", sum(zero_fine) <= 0.005),
        ("ranges ±1.25 A and ±25 A", f"±{span[0]:.3g} A, ±{span[1]:.3g} A", abs(span[0] - 1.25) < 0.01 and abs(span[1] - 25) < 0.2),
        ("poles ±600 V", f"±{pole_full_scale_v():.1f} V", abs(pole_full_scale_v() - 600) < 3),
    ]
    lines = ["| the firmware demands | these parts, as built, everything at its worst |", "|---|---|"]
    for name, have, holds in rows:
        if not holds:
            raise SystemExit(f"parts.toml: {name}: {have}")
        lines.append(f"| {name} | {have} |")
    return "\n".join(lines)


# --- pulses -----------------------------------------------------------------------------------------------------------

# 8/20 µs by IEEE C62.41.2 (memory): A·Ip·t³·exp(−t/τ), t in µs.
WAVE_A, WAVE_TAU_US = 0.01243, 3.911


def joule_per_ohm(peak_a):
    """∫ i² dt of a surge 8/20, in A²s."""
    return (WAVE_A * peak_a) ** 2 * math.factorial(6) * (WAVE_TAU_US / 2) ** 7 * 1e-6


def pulses():
    r3, r5, v, surge = PARTS["R3"], PARTS["R5"], CONDITIONS["v_array_max"], CONDITIONS["v_surge_protection"]
    melts = [math.sqrt(i2t / joule_per_ohm(1.0)) for i2t in (0.5, 2.0)]
    shunt_j = [joule_per_ohm(a) * PARTS["R1"]["ohm"] for a in (1e3, 2e3)]
    divider = r3["ohm"] * r3["in_series"]
    rows = [
        ("each part of a divider, 600 V", f"{v / r3['in_series']:.0f} V, {1e3 * (v / r3['in_series']) ** 2 / r3['ohm']:.0f} mW"),
        ("the same, one of four shorted", f"{v / 3:.0f} V; {1e3 * v / (divider * 3 / 4):.2f} mA through the chain"),
        ("each part of a switched resistor, 600 V", f"{v / r5['in_series']:.0f} V, {(v / r5['in_series']) ** 2 / r5['ohm']:.2f} W for up to two minutes"),
        (f"each part at the arrester's {surge:.0f} V", f"{surge / r3['in_series']:.0f} V for some ten microseconds"),
        ("shunt, surge 8/20 through the bond", f"{shunt_j[0]:.1f} J at 1 kA, {shunt_j[1]:.1f} J at 2 kA; {1e3 * PARTS['R1']['ohm']:.0f} V across it at 1 kA"),
        ("ground-fault fuse of 1 A (0.5 to 2 A²s, common practice, no source)", f"melts from a surge of {melts[0]:.0f} to {melts[1]:.0f} A on"),
    ]
    return "\n".join(["| what | bears |", "|---|---|"] + [f"| {what} | {bears} |" for what, bears in rows])
