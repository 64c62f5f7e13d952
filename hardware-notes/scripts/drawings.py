"""The front end's three sheets and the wiring of each earthing arrangement, as SVG."""

import schemdraw
import schemdraw.elements as elm
from parts import PARTS, ohms
from sheet import EARTH, LIVE, note, sheet, svg, title, wire
from wiring import ARRANGEMENTS, wiring

RC = PARTS["R2 C1 C2"]


def all_of_them():
    """(file name, SVG) of every drawing."""
    yield "sheet-bond-current.svg", bond_current()
    yield "sheet-poles.svg", poles()
    yield "sheet-outputs.svg", outputs()
    for name in ARRANGEMENTS:
        yield f"wiring-{name}.svg", wiring(name)


def low_pass(d, x, y):
    """Sallen-Key of gain one from (x, y); returns its output point."""
    d += elm.Resistor().at((x, y)).to((x + 2, y)).label(f"R2\n{ohms(RC['ohm'])}", fontsize=9)
    d += elm.Dot().at((x + 2, y))
    d += elm.Resistor().at((x + 2, y)).to((x + 4, y)).label(f"R2\n{ohms(RC['ohm'])}", fontsize=9)
    d += elm.Dot().at((x + 4, y))
    d += elm.Capacitor().at((x + 4, y)).to((x + 4, y - 1.4)).label(f"C2\n{RC['farad_2'] * 1e9:g} nF", loc="top", fontsize=9)
    d += elm.GroundSignal().at((x + 4, y - 1.4))
    buffer = elm.Opamp().right().flip().at((x + 4.8, y)).anchor("in2")
    d += buffer
    wire(d, (x + 4, y), (x + 4.8, y))
    out = (float(buffer.out[0]), float(buffer.out[1]))
    minus = (float(buffer.in1[0]), float(buffer.in1[1]))
    d += elm.Label().at((out[0] - 1.15, out[1] - 0.1)).label("× 1", fontsize=9)
    end = out[0] + 0.4
    wire(d, out, (end, out[1]))
    d += elm.Dot().at((end, out[1]))
    wire(d, (end, out[1]), (end, minus[1] - 0.9), (minus[0] - 0.3, minus[1] - 0.9), (minus[0] - 0.3, minus[1]), minus)
    wire(d, (end, out[1]), (end, y + 1.5), (x + 3.6, y + 1.5))
    d += elm.Capacitor().at((x + 3.6, y + 1.5)).to((x + 2, y + 1.5)).label(f"C1 {RC['farad_1'] * 1e9:g} nF", fontsize=9)
    wire(d, (x + 2, y + 1.5), (x + 2, y))
    return end, out[1]


def bond_current():
    d = sheet()
    shunt, test = PARTS["R1"], PARTS["R6"]
    top, foot = 3.0, 0.6
    title(d, (-4.4, 9.8), "Sheet 1: bond current. Two ranges from one shunt, each with an amplifier and a filter of its own")
    d += elm.Dot(open=True).at((0, 8.2)).label("bonded conductor of the array", loc="top", color=LIVE)
    wire(d, (0, 8.2), (0, 7.6), color=LIVE)
    d += elm.Fuse().at((0, 7.6)).to((0, 5.8)).label(f"F1 {PARTS['F1']['amps']:g} A", loc="bottom").color(LIVE)
    d += elm.Switch(nc=True).at((0, 5.4)).to((0, 3.8)).label("K2 bond switch,\nclosed without\npower", loc="bottom", fontsize=9).color(LIVE)
    wire(d, (0, 5.8), (0, 5.4), color=LIVE)
    wire(d, (0, 3.8), (0, top))
    d += elm.Dot().at((0, top))
    d += elm.Resistor().at((0, top)).to((0, foot)).label(f"R1\n{ohms(shunt['ohm'])}", loc="top")
    d += elm.Dot().at((0, foot))
    wire(d, (0, foot), (0, -0.6), color=EARTH, ls="--")
    d += elm.Ground().at((0, -0.6)).color(EARTH)
    note(d, (-4.4, -0.5), "earth of the measurement =\nthe array's earth, one lead\nthat nobody can take off", color=EARTH)
    # Self-test current.
    wire(d, (0, top), (-2.6, top))
    d += elm.Switch().at((-2.6, top)).to((-2.6, top + 1.6)).label("inject", loc="bottom")
    d += elm.Resistor().at((-2.6, top + 1.6)).to((-2.6, top + 3.4)).label(f"R6\n{ohms(test['ohm'])}", loc="bottom")
    d += elm.Vdd().at((-2.6, top + 3.4)).label(f"{test['supply_v']:g} V")
    for part, y, name, full in (("U1", 6.6, "fine", "±1.25 A"), ("U2", 0.9, "wide", "±25 A")):
        amp = elm.Opamp().right().flip().at((5.4, y)).anchor("in2")
        d += amp
        plus, minus, out = ((float(p[0]), float(p[1])) for p in (amp.in2, amp.in1, amp.out))
        d += elm.Label().at((out[0] - 1.2, out[1] - 0.1)).label(f"{part}\n× {PARTS[part]['gain']:g}", fontsize=9)
        for pin, rail, column in ((plus, top, 2.2), (minus, foot, 2.8)):
            wire(d, (0, rail), (column, rail), (column, pin[1]), (3.2, pin[1]))
            d += elm.Resistor().at((3.2, pin[1])).to((4.9, pin[1]))
            wire(d, (4.9, pin[1]), pin)
        d += elm.Label().at((4.05, plus[1] + 0.35)).label("1 kΩ each", fontsize=9)
        d += elm.Dot().at((2.2, top))
        d += elm.Dot().at((2.8, foot))
        wire(d, out, (8.2, out[1]))
        end = low_pass(d, 8.2, out[1])
        wire(d, end, (end[0] + 0.5, end[1]))
        d += elm.Dot(open=True).at((end[0] + 0.5, end[1])).label(f"U3, {name}\n{full}", loc="right", fontsize=10)
    note(
        d,
        (-4.4, -3.2),
        "Amplifiers are differential (drawn without their feedback): their gain is from R1's own terminals to the filter.\n"
        "Behind the 1 kΩ: diodes that clamp the inputs (a surge of 1 kA is 100 V at the shunt) and 10 nF from input to input.",
    )
    return svg(d)


def poles():
    d = sheet()
    r3, r4, r5 = PARTS["R3"], PARTS["R4"], PARTS["R5"]
    title(d, (-3.8, 7.2), "Sheet 2: one pole. The other is the same; all resistors of both from one type and lot")
    d += elm.Dot(open=True).at((0, 5.6)).label("positive (or negative)\nconductor", loc="left", color=LIVE)
    wire(d, (0, 5.6), (14.4, 5.6), color=LIVE)
    earth = -0.6
    # Arrester, where the conductor comes in.
    d += elm.Dot().at((1.6, 5.6))
    d += elm.ResistorVar().at((1.6, 5.6)).to((1.6, earth)).label("SPD1", loc="bottom")
    # Divider.
    x = 5.0
    d += elm.Dot().at((x, 5.6))
    d += elm.Resistor().at((x, 5.6)).to((x, 3.4)).label(f"R3, {r3['in_series']} × {ohms(r3['ohm'])}\nin series", loc="bottom")
    d += elm.Dot().at((x, 2.4))
    wire(d, (x, 3.4), (x, 2.4))
    d += elm.Resistor().at((x, 2.4)).to((x, earth)).label(f"R4\n{ohms(r4['ohm'])}", loc="bottom")
    wire(d, (x, 2.4), (8.0, 2.4))
    d += elm.Dot().at((8.0, 2.4))
    d += elm.Capacitor().at((8.0, 2.4)).to((8.0, earth)).label("10 nF", loc="top", fontsize=9)
    d += elm.Dot().at((9.3, 2.4))
    d += elm.Zener().at((9.3, earth)).to((9.3, 2.4)).label("5 V,\nboth ways", loc="bottom", fontsize=9)
    wire(d, (8.0, 2.4), (10.6, 2.4))
    d += elm.Dot(open=True).at((10.6, 2.4)).label("U3, pole\n±600 V", loc="right", fontsize=10)
    # Bridge.
    x = 13.2
    d += elm.Dot().at((x, 5.6))
    d += elm.Resistor().at((x, 5.6)).to((x, 3.4)).label(f"R5, {r5['in_series']} × {ohms(r5['ohm'])}\nin series", loc="bottom")
    wire(d, (x, 3.4), (x, 2.6))
    d += elm.Switch().at((x, 2.6)).to((x, 1.0)).label("S1 (positive)\nS2 (negative)", loc="bottom")
    wire(d, (x, 1.0), (x, earth))
    wire(d, (1.6, earth), (x, earth), color=EARTH, ls="--")
    for at in (1.6, 5.0, 8.0, 9.3, 13.2):
        d += elm.Dot().at((at, earth)).color(EARTH)
    wire(d, (3.2, earth), (3.2, earth - 0.4), color=EARTH, ls="--")
    d += elm.Ground().at((3.2, earth - 0.4)).color(EARTH)
    note(
        d,
        (-3.8, -2.6),
        "R3 stands 400 V each, so one may short. R5 carries the whole array voltage when the other pole is at earth.\n"
        "The arrester's earth lead and this one meet at one bar.",
    )
    return svg(d)


def outputs():
    d = sheet()
    title(d, (-0.6, 8.6), "Sheet 3: outputs, inputs, link and supply")
    # Coil drivers.
    for x, name, coil, clamp in ((1.2, "contactor", "K1 coil", "Zener and diode"), (7.8, "bond switch", "K2 coil", "diode")):
        d += elm.Vdd().at((x, 7.0)).label("coil supply", fontsize=9)
        d += elm.Inductor2(loops=3).at((x, 7.0)).to((x, 5.0)).label(coil, loc="bottom")
        wire(d, (x, 6.9), (x + 1.9, 6.9), (x + 1.9, 6.7))
        d += elm.Diode().at((x + 1.9, 5.2)).to((x + 1.9, 6.7)).label(clamp.replace(" and ", "\nand "), loc="bottom", fontsize=9)
        wire(d, (x + 1.9, 5.2), (x + 1.9, 5.0), (x, 5.0))
        d += elm.Dot().at((x, 5.0))
        q = elm.NFet().at((x, 5.0)).anchor("drain").theta(0)
        d += q
        gate, source = ((float(p[0]), float(p[1])) for p in (q.gate, q.source))
        wire(d, source, (x, source[1] - 0.3))
        d += elm.GroundSignal().at((x, source[1] - 0.3))
        at = gate[0] + (0.9 if gate[0] > x else -0.9)
        wire(d, gate, (at, gate[1]))
        d += elm.Dot().at((at, gate[1]))
        d += elm.Resistor().at((at, gate[1])).to((at, gate[1] - 1.6)).label("10 kΩ", loc="bottom", fontsize=9)
        d += elm.GroundSignal().at((at, gate[1] - 1.6))
        d += elm.Label().at((at + 1.4, gate[1] - 0.1)).label(f"Q1: pin\n“{name}”", fontsize=10)
    note(
        d,
        (-0.6, 1.9),
        "Without a signal the pull-down holds the gate: coil dead, contactor open, bond closed.\n"
        "The bridges, inject, lamp and buzzer are driven alike.",
    )
    # Feedback: a loop through both earth leads.
    x, y = 15.4, 7.0
    d += elm.Vdd().at((x, y)).label("3.3 V", fontsize=9)
    d += elm.Resistor().at((x, y)).to((x + 1.7, y)).label("330 Ω", fontsize=9)
    d += elm.LED().at((x + 1.7, y)).to((x + 3.3, y)).label("U5", fontsize=9)
    d += elm.Switch().at((x + 3.3, y)).to((x + 5.1, y)).label("mirror contact\nof K1", fontsize=9)
    wire(d, (x + 5.1, y), (x + 5.6, y), color="black")
    wire(d, (x + 5.6, y), (x + 5.6, y - 2.2), color=EARTH, ls="--")
    note(d, (x + 3.1, y - 1.2), "second earth lead", color=EARTH)
    wire(d, (x + 5.6, y - 2.2), (x + 0.4, y - 2.2), color=EARTH, ls="--")
    note(d, (x + 0.8, y - 1.95), "first earth lead", color=EARTH)
    d += elm.Dot().at((x + 5.6, y - 2.2)).color(EARTH)
    d += elm.Ground().at((x + 5.6, y - 2.2)).label("earth bar", loc="bottom", fontsize=9).color(EARTH)
    d += elm.GroundSignal().at((x + 0.4, y - 2.2))
    d += elm.Label().at((x - 0.9, y - 2.65)).label("0 V of the board", fontsize=9)
    d += elm.Label().at((x - 1.2, y - 1.1)).label("U5 to pin\n“contactor feedback”", fontsize=10)
    # Inputs.
    for y, name, closed in ((3.4, "reset", "button"), (2.2, "arm", "key switch inside the case")):
        d += elm.Dot(open=True).at((x, y)).label(f"pin “{name}”", loc="left", fontsize=10)
        wire(d, (x, y), (x + 1.0, y))
        d += elm.Switch().at((x + 1.0, y)).to((x + 2.8, y)).label(closed, fontsize=9)
        d += elm.Dot(open=True).at((x + 2.8, y)).label("3.3 V", loc="right", fontsize=10)
    note(d, (x - 2.6, 1.1), "Pull-downs of 10 kΩ, 1 µF against bounce. A broken wire reads as open:\na contactor that should be closed then counts as failed.")
    # Barrier.
    y = -0.4
    wire(d, (-0.6, y), (2.4, y), color=LIVE, ls=":")
    wire(d, (5.6, y), (12.6, y), color=LIVE, ls=":")
    wire(d, (15.8, y), (20.6, y), color=LIVE, ls=":")
    d += elm.Label().at((9.1, y + 0.15)).label("reinforced insulation for the array’s voltage", fontsize=10, color=LIVE)
    for x, name, sub in ((2.4, "U4 isolator", "UART to the host"), (12.6, "PS1 supply", "from battery or mains adapter")):
        wire(d, (x, y - 0.8), (x + 3.2, y - 0.8), (x + 3.2, y + 0.8), (x, y + 0.8), (x, y - 0.8))
        d += elm.Label().at((x + 1.6, y - 0.1)).label(name, fontsize=10)
        d += elm.Label().at((x + 1.6, y - 1.35)).label(sub, fontsize=10)
    return svg(d)
