"""Writes the same readings with this program and with outside ones, in one run, and prints a page.

Usage: compare.py PROGRAM FOLDER [--rows N] [--out PAGE]

PROGRAM is `holdgate-record-bench`, FOLDER a folder on the disk to be measured. Everybody writes on one thread and
from memory; the fastest of several writings counts, and all take turns, so that a disturbance meets everyone.
Needs duckdb, numpy and pyarrow (`tests/peers/requirements.txt`).
"""

import argparse
import gzip
import json
import os
import shutil
import subprocess
import time
from pathlib import Path

import duckdb
import numpy
import pyarrow
import pyarrow.compute
import pyarrow.csv
import pyarrow.parquet

TIMES = 3
CASES = [
    ("12 channels in one answer, 50 a second", ["--channels", "12", "--together", "12", "--rate", "50"]),
    ("20 channels in 4 answers, 5 a second", ["--channels", "20", "--together", "5", "--rate", "5"]),
]
CONSTANT = ["unit", "noise", "resolution", "shared"]


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("program", type=Path)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--rows", type=int, default=2_400_000)
    parser.add_argument("--out", type=Path)
    wanted = parser.parse_args()
    pyarrow.set_cpu_count(1)
    page = [
        "# What the record costs",
        "",
        "The same invented readings written by this program and by outside ones in one run, on one thread and from "
        "memory; the fastest of several writings. All write the long table with the columns that `schemas/tables/samples.json` "
        "declares. *Default* is what one gets who sets nothing: as the readings come, their times in nanoseconds; *default, in "
        "ticks* the same with this program's choice of 10 us steps given as a present; *tuned* that sorted by channel, with delta "
        "encoding and zstd. Absolute speeds are this machine's; the ratios are what counts.",
        "",
        f"pyarrow {pyarrow.__version__}, DuckDB {duckdb.__version__}, {wanted.rows:,} readings a case.",
    ]
    for title, arguments in CASES:
        page += case(title, arguments, wanted)
    text = "\n".join(page) + "\n"
    print(text)
    if wanted.out:
        wanted.out.write_text(text, encoding="utf-8")


def case(title, arguments, wanted):
    folder = wanted.folder / "case"
    shutil.rmtree(folder, ignore_errors=True)
    command = [wanted.program, "--folder", folder, "--rows", str(wanted.rows), *arguments]
    ours = json.loads(subprocess.run(command, check=True, capture_output=True, text=True).stdout)
    table = load(folder / "columns", "tick", "half_ticks")
    came = load(folder / "columns", "at_ns", "half_ns")
    rows = table.num_rows
    assert rows == ours["rows"], "everybody writes the same readings"
    the_same(folder / "samples.parquet", table)
    rivals = {name: [float("inf"), 0] for name in WRITERS}
    best = ours["table_rows_per_s"]
    for _ in range(TIMES):
        for name, write in WRITERS.items():
            kept = came if name.endswith("default") else table
            path = folder / "rival"
            path.unlink(missing_ok=True)
            begin = time.perf_counter()
            write(kept, path)
            rivals[name][0] = min(rivals[name][0], time.perf_counter() - begin)
            rivals[name][1] = os.path.getsize(path)
        again = json.loads(subprocess.run(command, check=True, capture_output=True, text=True).stdout)
        best = max(best, again["table_rows_per_s"])
    text = csv_size(came, folder / "rival")

    lines = ["", f"## {title}", "", "| writer | bytes a reading | of ours | readings/s | ours is |", "| --- | --- | --- | --- | --- |"]
    size = ours["table_bytes"] / rows
    lines.append(f"| this program's table | {size:.2f} | 1 | {best:,.0f} | |")
    for name, (seconds, length) in rivals.items():
        each, speed = length / rows, rows / seconds
        lines.append(f"| {name} | {each:.2f} | {each / size:.2f} | {speed:,.0f} | {best / speed:.2f} times as fast |")
    lines.append(f"| CSV, gzip 6 (size alone) | {text / rows:.2f} | {text / rows / size:.2f} | | |")
    defaults = [name for name in rivals if name.endswith("default")]
    smallest = min(rivals[name][1] for name in defaults) / rows
    fastest = max(rows / rivals[name][0] for name in defaults)
    in_ticks = min(length for name, (_, length) in rivals.items() if name.endswith("in ticks")) / rows
    lines += [
        "",
        f"Of the best default: {size / smallest:.2f} of its size ({size / in_ticks:.2f} of the best default in ticks), "
        f"{best / fastest:.2f} times its speed.",
        f"Journal: {ours['journal_bytes_per_cycle']:.1f} bytes a cycle over all channels, everything counted, synced every "
        f"250 ms of the readings' time; {ours['journal_rows_per_s']:,.0f} readings/s with the disk's syncs. "
        f"Closing reads the journal twice and writes the tables: {ours['close_rows_per_s']:,.0f} readings/s.",
    ]
    return lines + choices(table, folder / "rival")


def load(folder, at, half):
    """The readings as the long table, in the order in which they came."""
    channels = json.loads((folder / "channels.json").read_text(encoding="utf-8"))
    number = numpy.fromfile(folder / "channel", dtype="<i4")
    columns = {"session": constant("measured", len(number))}
    columns["channel"] = words(number, [channel["id"] for channel in channels])
    for name, kind in ((at, "<i8"), (half, "<i8"), ("raw", "<i8"), ("value", "<f8")):
        columns[name] = pyarrow.array(numpy.fromfile(folder / name, dtype=kind))
    columns["unit"] = words(number, [channel["unit"] for channel in channels])
    for name in CONSTANT[1:]:
        columns[name] = pyarrow.array(numpy.array([channel[name] for channel in channels])[number])
    columns["quality"] = constant("good", len(number))
    return pyarrow.table(columns)


def words(number, texts):
    return pyarrow.DictionaryArray.from_arrays(pyarrow.array(number), pyarrow.array(texts))


def constant(text, rows):
    return words(numpy.zeros(rows, dtype="int32"), [text])


def the_same(path, table):
    """What is compared must be the same data: every column of our file, sorted alike, equals what the others write."""
    order = [("channel", "ascending"), ("tick", "ascending")]
    plain = [pyarrow.string() if pyarrow.types.is_dictionary(f.type) else f.type for f in table.schema]
    schema = pyarrow.schema(zip(table.schema.names, plain))
    mine = pyarrow.parquet.read_table(path).select(table.schema.names).cast(schema).sort_by(order)
    theirs = table.cast(schema).sort_by(order)
    for name in table.schema.names:
        assert mine[name].combine_chunks().equals(theirs[name].combine_chunks()), f"column {name} differs"


DELTA = "DELTA_BINARY_PACKED"
SPLIT = "BYTE_STREAM_SPLIT"
# Each departs in one thing from the first; that marked so is the layout of this program, as near as pyarrow
# comes to it.
CHOICES = {
    "by channel, deltas for ticks, half intervals and counts, zstd 1": {},
    "zstd 3": {"level": 3},
    "zstd 9": {"level": 9},
    "snappy": {"codec": "snappy"},
    "in the order in which they came": {"by_channel": False},
    "dictionary for the half intervals: as it is": {"encodings": {"tick": DELTA, "raw": DELTA}},
    "dictionary for the counts": {"encodings": {"tick": DELTA, "half_ticks": DELTA}},
    "bytes of the values apart, no dictionary": {"encodings": {"tick": DELTA, "half_ticks": DELTA, "raw": DELTA, "value": SPLIT}},
    "groups of 16,384 rows": {"group": 16_384},
    "without the values, which follow from the counts": {"drop": ["value"]},
}


def choices(table, path):
    """Bytes a reading of each choice of layout, written by one and the same outside writer."""
    lines = ["", "| layout, all written by pyarrow | bytes a reading |", "| --- | --- |"]
    for name, choice in CHOICES.items():
        encodings = choice.get("encodings", {"tick": DELTA, "half_ticks": DELTA, "raw": DELTA})
        chosen = by_channel(table) if choice.get("by_channel", True) else table
        chosen = chosen.drop_columns(choice.get("drop", []))
        codec = choice.get("codec", "zstd")
        pyarrow.parquet.write_table(
            chosen,
            path,
            compression=codec,
            compression_level=choice.get("level", 1) if codec == "zstd" else None,
            use_dictionary=[name for name in chosen.schema.names if name not in encodings],
            column_encoding={name: encoding for name, encoding in encodings.items() if name in chosen.schema.names},
            row_group_size=choice.get("group", chosen.num_rows // 12),
            write_page_checksum=True,
        )
        lines.append(f"| {name} | {os.path.getsize(path) / chosen.num_rows:.2f} |")
    return lines


def by_channel(table):
    # The library does not sort by words kept as a dictionary, but by their numbers it does.
    number = table["channel"].combine_chunks().indices
    keys = pyarrow.table({"channel": number, "tick": table["tick"]})
    return table.take(pyarrow.compute.sort_indices(keys, [("channel", "ascending"), ("tick", "ascending")]))


def pyarrow_default(table, path):
    pyarrow.parquet.write_table(table, path)


def pyarrow_tuned(table, path):
    delta = ["tick", "half_ticks", "raw"]
    pyarrow.parquet.write_table(
        by_channel(table),
        path,
        compression="zstd",
        compression_level=1,
        use_dictionary=[name for name in table.schema.names if name not in delta],
        column_encoding={name: "DELTA_BINARY_PACKED" for name in delta},
        write_page_checksum=True,
    )


def duckdb_default(table, path):
    connection = duckdb.connect(config={"threads": 1})
    connection.register("readings", table)
    connection.execute(f"COPY readings TO '{path}' (FORMAT parquet)")


def duckdb_tuned(table, path):
    connection = duckdb.connect(config={"threads": 1})
    connection.register("readings", table)
    connection.execute(
        f"COPY (SELECT * FROM readings ORDER BY channel, tick) TO '{path}' "
        "(FORMAT parquet, COMPRESSION zstd, PARQUET_VERSION v2)"
    )


WRITERS = {
    "pyarrow, default": pyarrow_default,
    "DuckDB, default": duckdb_default,
    "pyarrow, default, in ticks": pyarrow_default,
    "DuckDB, default, in ticks": duckdb_default,
    "pyarrow, tuned": pyarrow_tuned,
    "DuckDB, tuned": duckdb_tuned,
}


def csv_size(table, path):
    pyarrow.csv.write_csv(table.cast(pyarrow.schema(
        [(f.name, pyarrow.string() if pyarrow.types.is_dictionary(f.type) else f.type) for f in table.schema]
    )), path)
    with open(path, "rb") as plain, gzip.open(f"{path}.gz", "wb", compresslevel=6) as packed:
        shutil.copyfileobj(plain, packed)
    return os.path.getsize(f"{path}.gz")


if __name__ == "__main__":
    main()
