"""Checks exports against the recorded session with NumPy, pyarrow and the csv module.

The linear rule is compared with numpy.interp, CSV with what Python's own reader makes of it, Parquet with CSV.
Usage: exports.py SESSION-FOLDER LINEAR-CSV LINEAR-PARQUET LONG-CSV, the first two exported with `--every 100ms --fill
linear --max-age 2s`, all CSV with `--digits all`.
"""

import csv
import json
import sys
from pathlib import Path

import numpy
import pyarrow.parquet

from checks import Checks

# Another order of the same operations differs in the last bits.
TOLERANCE = 1e-9
MAX_AGE_NS = 2_000_000_000


def main(session, linear, parquet, long):
    checks = Checks()
    card = json.loads((session / "session.json").read_text(encoding="utf-8"))
    samples = pyarrow.parquet.ParquetFile(session / "samples.parquet")
    tick_ns = int(samples.metadata.metadata[b"holdgate.tick_ns"])
    rows = samples.read().sort_by("tick").to_pylist()
    # The first record is kept to the nearest tick, as readings are.
    first = (card["first"] + tick_ns // 2) // tick_ns
    for row in rows:
        row["at_ns"] = (row["tick"] - first) * tick_ns
    with linear.open(newline="", encoding="utf-8") as file:
        header, *table = list(csv.reader(file))
    units = {channel["id"]: channel["unit"] for channel in card["head"]["channels"]}
    checks.same(header, ["time [s]"] + [f"{name} [{unit}]" for name, unit in units.items()], "header of the grid")
    times = [float(row[0]) for row in table]
    steps = {round((b - a) * 1000) for a, b in zip(times, times[1:])}
    checks.same(steps, {100}, "the grid has a row every 100 ms")
    for place, name in enumerate(units, start=1):
        of_channel = [row for row in rows if row["channel"] == name]
        the_line(checks, name, of_channel, times, [row[place] for row in table])
    exported = pyarrow.parquet.ParquetFile(parquet).read()
    checks.same(exported.column_names, ["time_s", *units], "columns of the Parquet export")
    for place, name in enumerate(["time_s", *units]):
        cells = [float(row[place]) if row[place] else None for row in table]
        checks.same(exported[name].to_pylist(), cells, f"{name} in Parquet and CSV")
    as_recorded(checks, rows, long)
    checks.end()


def the_line(checks, name, rows, times, cells):
    """Every cell between two good neighbours lies on the line that numpy.interp draws; every other is empty."""
    nanos = numpy.array([row["at_ns"] for row in rows], dtype=float)
    good = [row["quality"] == "good" for row in rows]
    values = numpy.array([row["value"] if ok else numpy.nan for row, ok in zip(rows, good)], dtype=float)
    wanted = numpy.interp(numpy.array(times) * 1e9, nanos, values) if len(rows) else numpy.full(len(times), numpy.nan)
    wrong = 0
    filled = 0
    for seconds, cell, value in zip(times, cells, wanted):
        at = round(seconds * 1e9)
        after = int(numpy.searchsorted(nanos, at))
        there = 0 < after < len(nanos) and good[after - 1] and good[after]
        there = there and nanos[after] - nanos[after - 1] <= MAX_AGE_NS
        if after < len(nanos) and nanos[after] == at:
            there = good[after]
        if there != bool(cell) or (there and abs(float(cell) - value) > TOLERANCE * max(abs(value), 1.0)):
            wrong += 1
        filled += there
    checks.same(wrong, 0, f"cells of {name} that are not on the line")
    checks.that(filled > 0 or not any(good), f"no cell of {name} was compared")


def as_recorded(checks, rows, long):
    """The long shape holds every row, with the numbers that pyarrow reads from the session."""
    with long.open(newline="", encoding="utf-8") as file:
        table = list(csv.DictReader(file))
    checks.same(len(table), len(rows), "rows of the long shape")

    def number(text):
        return float(text) if text else None

    def as_told(row):
        at = round(float(row["time [s]"]) * 1e9)
        return (at, row["channel"], number(row["raw"]), row["quality"], number(row["value"]), row["unit"])

    def as_kept(row):
        raw = None if row["raw"] is None else float(row["raw"])
        return (row["at_ns"], row["channel"], raw, row["quality"], row["value"], row["unit"])

    def order(row):
        return row[:2]

    units = {row["channel"]: row["unit"] for row in rows if row["unit"] is not None}
    told = sorted(map(as_told, table), key=order)
    # A gap's unit is that of its channel in the export, and may be none in the recorded table.
    kept = [(*row[:5], units.get(row[1], row[5])) for row in sorted(map(as_kept, rows), key=order)]
    wrong = [pair for pair in zip(told, kept) if pair[0] != pair[1] and pair[0][1] in units]
    checks.same(wrong[:3], [], "time, channel, count, quality, value and unit of the long shape")


if __name__ == "__main__":
    if len(sys.argv) != 5:
        sys.exit(__doc__)
    main(*(Path(argument) for argument in sys.argv[1:]))
