"""parts.toml, looked up by id."""

import tomllib
from pathlib import Path

NOTES = Path(__file__).resolve().parent.parent
FILE = tomllib.loads((NOTES / "parts.toml").read_text())
CONDITIONS = FILE["conditions"]
PARTS = {part["id"]: part for part in FILE["part"]}


def table():
    """Bill of materials by requirement, as Markdown."""
    lines = ["| id | part | value | must | because |", "|---|---|---|---|---|"]
    for part in FILE["part"]:
        lines.append("| {id} | {name} | {value} | {need} | {why} |".format(value=value(part), **part))
    return "\n".join(lines)


def ohms(value):
    """1234.0 as 1.23 kΩ."""
    for unit, size in (("MΩ", 1e6), ("kΩ", 1e3), ("Ω", 1.0)):
        if value >= size:
            return f"{value / size:.4g} {unit}"
    return f"{value * 1e3:.4g} mΩ"


def value(part):
    """What is printed on the part, with its tolerance."""
    said = []
    if "ohm" in part:
        said.append((f"{part['in_series']} × " if "in_series" in part else "") + ohms(part["ohm"]))
    if "farad_1" in part:
        said.append(f"{part['farad_1'] * 1e9:g} nF, {part['farad_2'] * 1e9:g} nF")
    if "amps" in part:
        said.append(f"{part['amps']:g} A")
    if "gain" in part:
        said.append(f"gain {part['gain']:g} ± {part['gain_tolerance_percent']:g} %, offset {part['offset_uv']:g} µV")
    if "bits" in part:
        said.append(f"{part['bits']} bits, ±{part['inl_counts']:g} count")
    if "volt" in part:
        said.append(f"{part['volt']:g} V")
    for key, word in (("tolerance_percent", "%"), ("tempco_ppm_k", "ppm/K")):
        if key in part:
            said.append(f"±{part[key]:g} {word}")
    for key, word in (("tracking_ppm_k", "ppm/K against each other"),):
        if key in part:
            said.append(f"{part[key]:g} {word}")
    if "leakage_na" in part:
        said.append(f"{part['leakage_na']:g} nA")
    if "leak_gohm" in part:
        said.append(f"{part['leak_gohm']:g} GΩ or more")
    return ", ".join(said) or "–"
