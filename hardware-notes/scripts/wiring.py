"""How array, contactor, bond and monitor are joined, for each earthing arrangement (terms of IEC 62548)."""

from dataclasses import dataclass

import schemdraw.elements as elm
from sheet import EARTH, LIVE, note, sheet, svg, title, wire

POS, NEG, EARTH_Y = 6.0, 2.4, -2.4
K1_X, CONVERTER_X = 8.6, 13.2


@dataclass(frozen=True)
class Arrangement:
    """What differs: where the bond is, through what, and which conductors the contactor breaks."""

    heading: str
    bonded: str | None
    through: tuple[str, ...]
    breaks: tuple[str, ...]
    remark: str


ARRANGEMENTS = {
    "negative-bonded": Arrangement(
        "Negative conductor bonded to earth through a fuse",
        "neg",
        ("F1", "K2", "R1"),
        ("pos",),
        "K1 breaks the conductor that is not bonded. With F1 melted or K2 open the negative conductor is live.",
    ),
    "positive-bonded": Arrangement(
        "Positive conductor bonded to earth through a fuse",
        "pos",
        ("F1", "K2", "R1"),
        ("neg",),
        "K1 breaks the conductor that is not bonded. With F1 melted or K2 open the positive conductor is live.",
    ),
    "high-resistance": Arrangement(
        "Negative conductor earthed through a high resistance",
        "neg",
        ("RE", "K2", "R1"),
        ("pos", "neg"),
        "RE stands the whole array voltage for as long as a fault at the positive conductor lasts. Both conductors are live.",
    ),
    "not-earthed": Arrangement(
        "No conductor earthed",
        None,
        (),
        ("pos", "neg"),
        "A residual-current sensor around both conductors stands in for the shunt: direct current to 1 kHz, the same two ranges.",
    ),
}


def contact(d, y, closed_name):
    d += elm.Switch().at((K1_X, y)).to((K1_X + 1.8, y)).label(closed_name, loc="top", fontsize=10).color(LIVE)


def conductor(d, y, broken):
    if broken:
        wire(d, (2.6, y), (K1_X, y), color=LIVE)
        contact(d, y, "K1")
        wire(d, (K1_X + 1.8, y), (CONVERTER_X, y), color=LIVE)
    else:
        wire(d, (2.6, y), (CONVERTER_X, y), color=LIVE)


def box(d, x, y, width, height, *lines):
    wire(d, (x, y), (x + width, y), (x + width, y + height), (x, y + height), (x, y))
    for n, line in enumerate(lines):
        d += elm.Label().at((x + width / 2, y + height / 2 - 0.1 + 0.25 * (len(lines) - 1) - 0.5 * n)).label(line, fontsize=10)


def array(d):
    """Two strings, their frames, and the equipment-grounding conductor."""
    for x in (1.0, 2.6):
        d += elm.BatteryCell().at((x, POS)).to((x, NEG)).color(LIVE)
        wire(d, (x, NEG), (2.6, NEG), color=LIVE)
        wire(d, (x, POS), (2.6, POS), color=LIVE)
    wire(d, (0.2, NEG + 0.7), (3.4, NEG + 0.7), (3.4, POS - 0.7), (0.2, POS - 0.7), (0.2, NEG + 0.7), color=EARTH, ls="--")
    note(d, (-2.2, POS + 0.5), "strings, each with its fuses\nand a disconnector", color=LIVE)
    note(d, (-3.6, 4.4), "frames, joined by\nthe equipment-\ngrounding conductor", color=EARTH)
    wire(d, (0.2, NEG + 0.7), (-0.6, NEG + 0.7), (-0.6, EARTH_Y), color=EARTH, ls="--")


def bond(d, arrangement, x=6.4):
    """From the bonded conductor down to earth."""
    y = NEG if arrangement.bonded == "neg" else POS
    d += elm.Dot().at((x, y)).color(LIVE)
    at = NEG - 0.4
    wire(d, (x, y), (x, at), color=LIVE)
    for part in arrangement.through:
        down = at - 1.35
        if part == "F1":
            d += elm.Fuse().at((x, at)).to((x, down)).label("F1", loc="bottom", fontsize=10).color(LIVE)
        elif part == "K2":
            d += elm.Switch(nc=True).at((x, at)).to((x, down)).label("K2", loc="bottom", fontsize=10)
        else:
            element = elm.Resistor().at((x, at)).to((x, down)).label(part, loc="bottom", fontsize=10)
            d += element.color(LIVE) if part == "RE" else element
        at = down
    wire(d, (x, at), (x, EARTH_Y), color=EARTH, ls="--")
    d += elm.Dot().at((x, EARTH_Y)).color(EARTH)
    note(d, (x - 2.6, -1.0), "inside the\nmonitor's box")


def sensor(d):
    """A ring around both conductors."""
    wire(d, (6.0, NEG - 0.5), (6.8, NEG - 0.5), (6.8, POS + 0.5), (6.0, POS + 0.5), (6.0, NEG - 0.5), ls="-")
    note(d, (5.3, NEG - 1.6), "residual-current\nsensor")


def wiring(name):
    arrangement = ARRANGEMENTS[name]
    d = sheet()
    title(d, (-3.6, 8.6), f"{arrangement.heading} (earthing = \"{name}\")")
    array(d)
    for pole, y in (("pos", POS), ("neg", NEG)):
        conductor(d, y, pole in arrangement.breaks)
    if arrangement.bonded:
        bond(d, arrangement)
    else:
        sensor(d)
    # Pole leads, fused, on the array's side of the contactor.
    tap = 7.4 if arrangement.bonded else 5.0
    for x, y in ((4.4, POS), (tap, NEG)):
        d += elm.Dot().at((x, y)).color(LIVE)
    for y, sign in ((POS, "+"), (NEG, "−")):
        d += elm.Label().at((3.9, y + 0.28)).label(sign, fontsize=12, color=LIVE)
    box(d, CONVERTER_X, NEG - 0.6, 2.8, POS - NEG + 1.2, "converter or", "charge controller")
    wire(d, (CONVERTER_X + 1.4, NEG - 0.6), (CONVERTER_X + 1.4, EARTH_Y), color=EARTH, ls="--")
    d += elm.Dot().at((CONVERTER_X + 1.4, EARTH_Y)).color(EARTH)
    # The monitor.
    box(d, 9.2, -1.6, 2.6, 2.4, "monitor", "dividers,", "bridges, coils")
    above, below = POS + 1.2, NEG - 0.9
    wire(d, (4.4, POS), (4.4, above), (5.6, above), color=LIVE)
    d += elm.Fuse().at((5.6, above)).to((7.4, above)).label("F2", loc="top", fontsize=10).color(LIVE)
    wire(d, (7.4, above), (11.6, above), (11.6, 0.8), color=LIVE)
    wire(d, (tap, NEG), (tap, below), (7.7, below), color=LIVE)
    d += elm.Fuse().at((7.7, below)).to((9.3, below)).label("F3", loc="bottom", fontsize=10).color(LIVE)
    wire(d, (9.3, below), (9.9, below), (9.9, 0.8), color=LIVE)
    wire(d, (10.5, -1.6), (10.5, EARTH_Y), color=EARTH, ls="--")
    d += elm.Dot().at((10.5, EARTH_Y)).color(EARTH)
    wire(d, (-0.6, EARTH_Y), (CONVERTER_X + 1.4, EARTH_Y), color=EARTH, ls="--")
    wire(d, (3.0, EARTH_Y), (3.0, EARTH_Y - 0.4), color=EARTH, ls="--")
    d += elm.Dot().at((3.0, EARTH_Y)).color(EARTH)
    d += elm.Ground().at((3.0, EARTH_Y - 0.4)).color(EARTH)
    note(d, (3.6, EARTH_Y - 0.9), "one earth bar, one grounding-electrode system", color=EARTH)
    note(d, (-3.6, EARTH_Y - 2.2), arrangement.remark + "\nDaylight makes everything drawn in red live, whatever is switched off.")
    return svg(d)
