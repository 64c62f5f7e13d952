"""What every sheet shares."""

import schemdraw
import schemdraw.elements as elm

schemdraw.use("svg")
# Conductors that daylight makes live, and protective earth (dashed as well: colours do not survive every printer).
LIVE = "#a03000"
EARTH = "#007050"


def sheet():
    return schemdraw.Drawing(show=False, unit=2, fontsize=11, font="sans-serif", lw=1.4, margin=0.3)


def svg(drawing):
    return drawing.get_imagedata("svg").decode().rstrip() + "\n"


def wire(drawing, *points, color="black", ls="-"):
    """A line through these points."""
    for a, b in zip(points, points[1:]):
        drawing.add(elm.Line().at(a).to(b).color(color).linestyle(ls))


def note(drawing, at, text, **style):
    """Lines of plain text from `at` downwards."""
    style = {"fontsize": 10, "halign": "left"} | style
    for n, line in enumerate(text.splitlines()):
        y = at[1] - 0.45 * n
        drawing.add(elm.Label().at((at[0], y)).label(line, **style))
        # The sheet's size does not count text: a point where this ends.
        drawing.add(elm.Dot(radius=0).at((at[0] + 0.0145 * style["fontsize"] * len(line), y)))


def title(drawing, at, text):
    note(drawing, at, text, fontsize=13)
