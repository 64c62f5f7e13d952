#!/usr/bin/env python3
"""Reads an Ohmward archive with the PyPI packages `pandas` and `pyarrow` and compares with `ohmward export --format csv` of the same
readings; and asks Python's own sqlite3 (SQLite built by somebody else) whether the database is whole.

    pip install --target DIR pandas pyarrow
    PYTHONPATH=DIR python3 tests/reference/archive_pandas.py STORE READINGS.csv [EXPORTED.parquet]

READINGS.csv: all readings of the sealed days. Exit status: 0 all agree, 1 something differs, 77 a package is not there.
"""

import json
import sqlite3
import sys
from pathlib import Path

try:
    import pandas as pd
    import pyarrow as pa
    import pyarrow.dataset as ds
    import pyarrow.parquet as pq
except ImportError as why:
    print(f"{why}: pip install --target DIR pandas pyarrow, and PYTHONPATH=DIR")
    sys.exit(77)

store, csv = Path(sys.argv[1]), Path(sys.argv[2])
wrong = []


def expect(holds, what):
    if not holds:
        wrong.append(what)


# The folders are columns: the way any data-frame library reads a partitioned set.
folder = store / "archive"
# A board's number is text; without a schema it is taken for whatever it looks like.
text = ds.partitioning(pa.schema([("board", pa.string()), ("date", pa.string())]), flavor="hive")
frame = ds.dataset(folder, format="parquet", partitioning=text).to_table().to_pandas()
expect(len(frame) > 0 and frame["board"].str.fullmatch("[0-9a-f]{16}").all(), "no boards in the folders' names")
frame = frame.sort_values(["board", "t", "boot", "at_sample"]).reset_index(drop=True)
expect((frame["t"].dt.strftime("%Y-%m-%d") == frame["date"]).all(), "a reading lies in another day's folder")

# Units and scales: with each field and, for readers that do not know Arrow, in the file's own metadata.
for path in sorted(folder.rglob("*.parquet")):
    file = pq.ParquetFile(path)
    own = {c["name"]: c for c in json.loads(file.metadata.metadata[b"ohmward.columns"])}
    expect(list(own) == file.schema_arrow.names, f"{path}: columns of the metadata")
    for field in file.schema_arrow:
        meta = {k.decode(): v.decode() for k, v in field.metadata.items() if not k.startswith(b"PARQUET")}
        same = meta["unit"] == own[field.name]["unit"] and float(meta["scale"]) == own[field.name]["scale"]
        expect(same, f"{path}: {field.name}: field and file disagree")
    for group in range(file.metadata.num_row_groups):
        columns = [file.metadata.row_group(group).column(k) for k in range(file.metadata.num_columns)]
        for column in columns:
            expect(column.compression == "ZSTD", f"{path}: {column.path_in_schema} is {column.compression}")
            if column.path_in_schema != "as_sent":
                expect(column.is_stats_set, f"{path}: {column.path_in_schema} has no statistics")
            if column.path_in_schema in ("t", "at_sample", "i_dc_ua", "v_pos_mv"):
                expect("DELTA_BINARY_PACKED" in column.encodings, f"{path}: {column.path_in_schema} {column.encodings}")
    times = file.read(columns=["t"])["t"].to_pandas()
    expect(times.is_monotonic_increasing, f"{path}: not in the order of time")
    board = path.parts[-3].removeprefix("board=")
    expect(file.metadata.metadata[b"ohmward.board"].decode() == board, f"{path}: another board")

scale = {c: own[c]["scale"] for c in own}
table = pd.read_csv(csv, dtype={"board": str})
table["time_utc"] = pd.to_datetime(table["time_utc"], format="ISO8601", utc=True)
table = table.sort_values(["board", "time_utc", "boot", "at_sample"]).reset_index(drop=True)
expect(len(table) == len(frame) and len(frame) > 0, f"{len(frame)} readings in the archive, {len(table)} in CSV")


def compare(what, archived, exported, step=0.0):
    """Equal where both are numbers, to the last digit of the text or the step; absent together."""
    archived, exported = archived.astype("float64"), exported.astype("float64")
    expect((archived.isna() == exported.isna()).all(), f"{what}: absent in one and not in the other")
    apart = (archived - exported).abs()
    near = step * 1e-3 + exported.abs() * 2.4e-7
    expect((apart.isna() | (apart <= near)).all(), f"{what}: up to {apart.max()} apart")


if not wrong:
    expect((frame["board"] == table["board"]).all(), "boards")
    expect((frame["t"].dt.floor("us") == table["time_utc"].dt.floor("us")).all(), "times")
    for column in ("boot", "at_sample"):
        expect((frame[column] == table[column]).all(), column)
    for ours, theirs in (
        ("i_dc_ua", "i_bond_dc_a"), ("i_rms_ua", "i_bond_rms_a"), ("v_pos_mv", "v_pos_v"), ("v_neg_mv", "v_neg_v"),
        ("g_pos_s", "g_pos_s"), ("g_neg_s", "g_neg_s"), ("g_sigma_s", "g_sigma_s"), ("c_f", "c_f"), ("c_sigma_f", "c_sigma_f"),
    ):
        compare(ours, frame[ours] * scale[ours], table[theirs], scale[ours] if scale[ours] < 1 else 0.0)
    for ours, theirs in (("i_why", "i_bond_reason"), ("ins_why", "insulation_reason"), ("state", "state")):
        left, right = frame[ours].astype(object).fillna(""), table[theirs].astype(object).fillna("")
        # NULL beside no reason is what the archive has for a value that was sent and is no number; CSV says it in a word.
        right = right.where(right != "sent-as-no-number", "")
        expect((left == right).all(), f"{ours}: {sorted(set(zip(left, right)))[:5]}")
    expect((frame["bond_open"] == table["bond_open"].astype(bool)).all(), "bond_open")

if len(sys.argv) > 3 and not wrong:
    handed_over = pq.read_table(sys.argv[3]).to_pandas()
    inside = frame.drop(columns=["board", "date"])
    expect(handed_over.astype(str).equals(inside[list(handed_over.columns)].astype(str)), "the exported file is not the archive's")

db = sqlite3.connect(f"file:{store / 'ohmward.sqlite'}?mode=ro", uri=True)
said = db.execute("PRAGMA integrity_check").fetchall()
expect(said == [("ok",)], f"sqlite3: {said}")

for line in wrong:
    print(line)
if not wrong:
    print(f"{len(frame)} readings of {frame['board'].nunique()} boards agree (pandas {pd.__version__}, sqlite {sqlite3.sqlite_version})")
sys.exit(1 if wrong else 0)
