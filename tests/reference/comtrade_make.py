#!/usr/bin/env python3
"""Makes the hand-written COMTRADE files under tests/data/comtrade, with what has to be read from them.

Written from the format's description (IEEE C37.111-1999 and -2013, clauses 7 and 8; layout from memory, checked by reading
with the PyPI package `comtrade`) with `struct` and text alone: nothing of Ohmward's writer is used. All data is invented.

    python3 tests/reference/comtrade_make.py tests/data/comtrade

Each `NAME.json` says what a reader must find: values by channel (null: missing), bits, times and trigger in seconds.
"""

import json
import math
import os
import struct
import sys

OUT = sys.argv[1]


def save(name, data):
    with open(os.path.join(OUT, name), "wb") as file:
        file.write(data if isinstance(data, bytes) else data.encode("utf-8"))


def expect(name, values, bits, times_s, trigger_s, lsb):
    text = json.dumps(
        {"values": values, "bits": bits, "times_s": times_s, "trigger_s": trigger_s, "lsb": lsb},
        indent=None,
    )
    save(name + ".json", text + "\n")


def scaled(counts, a, b):
    return [None if n is None else a * n + b for n in counts]


# 1999, ASCII, lines end in LF alone, one sample missing, a secondary value in kV.
bond = [0, 12, -7, 31000, None, -32767]
pole = [1000, 1001, 1002, 1003, 1004, 1005]
armed = [1, 1, 1, 0, 0, 0]
cfg = (
    "Invented Ridge,recorder 7,1999\n"
    "3,2A,1D\n"
    "1,I bond,,,mA,0.038147,0.5,0,-32767,32767,1,1,P\n"
    "2,V pos,,,kV,0.0001,0,0,-99999,99998,4,2,S\n"
    "1,ARMED,,,1\n"
    "50\n1\n2500,6\n"
    "28/02/2026,23:59:59.999600\n01/03/2026,00:00:00.000800\n"
    "ASCII\n1\n"
)
rows = "".join(
    f"{k + 1},{400 * k},{99999 if bond[k] is None else bond[k]},{pole[k]},{armed[k]}\n" for k in range(6)
)
save("ascii-1999.cfg", cfg)
save("ascii-1999.dat", rows)
expect(
    "ascii-1999",
    {"I bond": scaled(bond, 0.038147, 0.5), "V pos": scaled(pole, 0.0001, 0)},
    {"ARMED": armed},
    [k / 2500 for k in range(6)],
    0.0012,
    {"I bond": 0.038147, "V pos": 0.0001},
)

# 1999, BINARY, 18 status channels in two words, two rates: 1 kS/s to sample 4, 4 kS/s after it. Upper-case names.
samples = 9
a = [((k * 7919) % 65535) - 32767 for k in range(samples)]
words = [(k * 40503) % (1 << 18) for k in range(samples)]
cfg = "Invented Ridge,recorder 7,1999\r\n19,1A,18D\r\n1,I_BOND,,ARRAY,A,1E-3,0,0,-32767,32767,1,1,P\r\n"
cfg += "".join(f"{k + 1},S{k + 1},,,0\r\n" for k in range(18))
cfg += "60\r\n2\r\n1000,4\r\n4000,9\r\n02/01/2026,00:00:00.000000\r\n02/01/2026,00:00:00.003250\r\nBINARY\r\n1\r\n"
times = [0.0, 0.001, 0.002, 0.003] + [0.003 + k / 4000 for k in range(1, 6)]
dat = b"".join(
    struct.pack("<IIhHH", k + 1, round(times[k] * 1e6), a[k], words[k] & 0xFFFF, words[k] >> 16)
    for k in range(samples)
)
save("BINARY-1999.CFG", cfg)
save("BINARY-1999.DAT", dat)
expect(
    "BINARY-1999",
    {"I_BOND": scaled(a, 1e-3, 0)},
    {f"S{bit + 1}": [word >> bit & 1 for word in words] for bit in range(18)},
    times,
    0.00325,
    {"I_BOND": 1e-3},
)

# 2013, BINARY32, one file, one missing sample, and bytes that look like line ends and headers.
tricky = [0x0A0D0A0D, -2147483647, 2147483647, None, 0x2D2D2D20]
cfg = (
    "Invented Ridge,recorder 7,2013\r\n2,1A,1D\r\n1,I_BOND,,ARRAY,A,1e-06,0,0,-2147483647,2147483647,1,1,P\r\n"
    "1,TRIP,,,0\r\n50\r\n1\r\n4000,5\r\n01/02/2026,03:04:05.000000\r\n01/02/2026,03:04:05.000500\r\nBINARY32\r\n1\r\n"
    "+5h30,0\r\n0,0\r\n"
)
dat = b"".join(
    struct.pack("<IIiH", k + 1, 250 * k, -2147483648 if tricky[k] is None else tricky[k], k > 1)
    for k in range(5)
)
cff = (
    f"--- file type: CFG ---\r\n{cfg}--- file type: INF ---\r\n--- file type: HDR ---\r\ninvented\r\n"
    f"--- file type: DAT BINARY32: {len(dat)} ---\r\n"
).encode("utf-8") + dat
save("binary32-2013.cff", cff)
expect(
    "binary32-2013",
    {"I_BOND": scaled(tricky, 1e-6, 0)},
    {"TRIP": [0, 0, 1, 1, 1]},
    [k / 4000 for k in range(5)],
    0.0005,
    {"I_BOND": 1e-6},
)

# 2013, FLOAT32, no rates: stamps, in units of 2 ns, decide. Dates with nine decimals.
floats = [1.5, -2.25, 3.0e20, None, -1.0e-20]
stamps = [0, 100, 250, 375, 501]
cfg = (
    "Invented Ridge,recorder 7,2013\r\n1,1A,0D\r\n1,I_BOND,,ARRAY,A,2,1,0,-3.4E+38,3.4E+38,1,1,P\r\n"
    "50\r\n0\r\n0,5\r\n01/02/2026,03:04:05.000000000\r\n01/02/2026,03:04:05.000000500\r\nFLOAT32\r\n2\r\n0,x\r\nF,3\r\n"
)
dat = b"".join(
    struct.pack("<II", k + 1, stamps[k])
    + (b"\xff\xff\x7f\xff" if floats[k] is None else struct.pack("<f", floats[k]))
    for k in range(5)
)
save("float32-2013.cfg", cfg)
save("float32-2013.dat", dat)
exact = [None if f is None else struct.unpack("<f", struct.pack("<f", f))[0] for f in floats]
expect(
    "float32-2013",
    {"I_BOND": scaled(exact, 2, 1)},
    {},
    [stamp * 2e-9 for stamp in stamps],
    5e-7,
    {"I_BOND": 1e-6},
)

# 1991, ASCII: month first, short lines, nothing behind the file type but the old end mark.
cfg = (
    "INVENTED RIDGE,7\r\n2,1A,1D\r\n1,I,,,A,0.25,0,0,-2048,2047\r\n1,OPEN,0\r\n60\r\n1\r\n960,3\r\n"
    "02/28/91,12:00:00.000000\r\n02/28/91,12:00:00.001000\r\nASCII\r\n"
)
save("ascii-1991.cfg", cfg)
save("ascii-1991.dat", "1,0,4,0\r\n2,1042,,0\r\n3,2083,-8,1\r\n\x1a")
expect("ascii-1991", {"I": [1.0, None, -2.0]}, {"OPEN": [0, 0, 1]}, [k / 960 for k in range(3)], 0.001, {"I": 0.25})

# A fault to replay: 200 mA RMS of capacitive current at 50 Hz, and from 0.4 s on 60 mA RMS in quadrature on top, as a person
# or a resistor adds it. 5 kS/s, 1 s, 16 bits; the trigger is the onset. Another current and a voltage lie beside it.
rate, onset = 5000, 2000
counts = []
for k in range(rate):
    angle = 2 * math.pi * 50 * k / rate
    i_ma = 200 * math.sqrt(2) * math.sin(angle)
    if k >= onset:
        i_ma += 60 * math.sqrt(2) * math.cos(angle)
    counts.append((round(i_ma / 0.02), round(8000 * math.sin(angle)), 17000))
cfg = (
    "Invented Ridge,recorder 7,1999\r\n3,3A,0D\r\n1,I_RES,,,mA,0.02,0,0,-32767,32767,1,1,P\r\n"
    "2,I_LINE,L1,,A,0.001,0,0,-32767,32767,1,1,P\r\n3,U_DC,,,V,0.02,0,0,-32767,32767,1,1,P\r\n"
    "50\r\n1\r\n5000,5000\r\n03/05/2026,09:00:00.000000\r\n03/05/2026,09:00:00.400000\r\nBINARY\r\n1\r\n"
)
save("quadrature-60ma.cfg", cfg)
save(
    "quadrature-60ma.dat",
    b"".join(struct.pack("<IIhhh", k + 1, 200 * k, *row) for k, row in enumerate(counts)),
)
