#!/usr/bin/env python3
"""Fills the made tables of these notes from parts.toml and draws the pictures.

    python3 hardware-notes/scripts/make.py            writes them
    python3 hardware-notes/scripts/make.py --check    makes them again and compares

Needs Python 3.11, numpy, uncertainties and schemdraw (pip install numpy uncertainties==3.2.3 schemdraw==0.23).
A table stands between `<!-- made: NAME -->` and `<!-- end -->`.
"""

import re
import sys

import budget
import drawings
from parts import NOTES, table

TABLES = {
    "parts": table,
    "currents": budget.currents,
    "bridge": budget.bridge,
    "insulation": budget.insulation,
    "anti-alias": budget.anti_alias,
    "demands": budget.demands,
    "pulses": budget.pulses,
}
BLOCK = re.compile(r"(<!-- made: ([a-z-]+) -->\n).*?(<!-- end -->)", re.S)


def pages():
    seen = set()
    for path in sorted(NOTES.glob("*.md")):
        text = path.read_text()
        seen.update(BLOCK.findall(text)[n][1] for n in range(len(BLOCK.findall(text))))
        yield path, BLOCK.sub(lambda m: f"{m[1]}\n{TABLES[m[2]]()}\n\n{m[3]}", text)
    if missing := set(TABLES) - seen:
        raise SystemExit(f"no page shows {', '.join(sorted(missing))}")


def main():
    check = sys.argv[1:] == ["--check"]
    if sys.argv[1:] and not check:
        raise SystemExit(__doc__)
    made = list(pages()) + [(NOTES / "pictures" / name, text) for name, text in drawings.all_of_them()]
    stale = [path.name for path, text in made if not path.exists() or path.read_text() != text]
    if check:
        if stale:
            raise SystemExit(f"not as parts.toml has it: {', '.join(stale)}; run hardware-notes/scripts/make.py")
        print(f"{len(TABLES)} tables and {len(made) - len(list(NOTES.glob('*.md')))} drawings as stored")
        return
    for path, text in made:
        path.write_text(text)
    print(f"written: {', '.join(stale) or 'nothing new'}")


if __name__ == "__main__":
    main()
