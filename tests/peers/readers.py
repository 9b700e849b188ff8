"""Opens a recorded session in readers that know nothing of this program: pyarrow, DuckDB and Polars.

They must agree with each other, with session.json, with the declared tables and with the stream of events
that the run printed. Usage: readers.py SESSION-FOLDER EVENT-STREAM SCHEMAS-FOLDER
"""

import hashlib
import json
import math
import sys
import tomllib
from pathlib import Path

import duckdb
import jsonschema
import polars
import pyarrow
import pyarrow.parquet

from checks import Checks

# Sums of the same numbers in another order differ in the last bits.
SUM_TOLERANCE = 1e-12
# The metadata key that only the table of samples has.
SLICES = "holdgate.slices"
# What only the table of samples tells of itself.
OF_SAMPLES = {SLICES, "holdgate.on_line"}


def main(session, stream, schemas):
    checks = Checks()
    card = json.loads((session / "session.json").read_text(encoding="utf-8"))
    lines = [json.loads(line) for line in stream.read_text(encoding="utf-8").splitlines()]
    events = lines[:-1]

    the_stream(checks, events, lines[-1], session, card, schemas)
    the_files(checks, session, card, schemas)
    samples = three_readings(checks, session, "samples", card["samples"] + card["gaps"])
    rows = three_readings(checks, session, "events", card["events"])
    values_by_channel(checks, session, samples, card)
    times(checks, samples, rows, session, card)
    the_events(checks, rows, events)
    the_descriptions(checks, schemas)
    the_session(checks, card, schemas)
    checks.end()


def the_stream(checks, events, end, session, card, schemas):
    """Every line of the stream but the last is an event by the committed schema."""
    checks.same(end["kind"], "run_ended", "the last line of the stream is the end of the run")
    checks.same(end["ending"], card["ending"], "the stream and the session end alike")
    checks.same(Path(end["path"]).resolve(), session.resolve(), "the end names the session's folder")
    schema = json.loads((schemas / "events.schema.json").read_text(encoding="utf-8"))
    jsonschema.Draft202012Validator.check_schema(schema)
    validator = jsonschema.Draft202012Validator(schema)
    for event in events:
        wrong = [error.message for error in validator.iter_errors(event)]
        checks.same(wrong, [], f"event {event.get('seq')} is as events.schema.json says")
    strange = dict(events[0], seq="one")
    checks.that(not validator.is_valid(strange), "events.schema.json refuses an event with a text for its number")


def the_files(checks, session, card, schemas):
    """The digests are those of the files, and the tables are as declared."""
    named = {file["name"] for file in card["files"]}
    there = {path.name for path in session.iterdir()} - {"session.json"}
    checks.same(named, there, "session.json names every file of the session")
    for file in card["files"]:
        content = (session / file["name"]).read_bytes()
        checks.same(hashlib.sha256(content).hexdigest(), file["sha256"], f"SHA-256 of {file['name']}")
        checks.same(len(content), file["bytes"], f"length of {file['name']}")
    for name in ("samples", "events"):
        declared = json.loads((schemas / "tables" / f"{name}.json").read_text(encoding="utf-8"))
        opened = pyarrow.parquet.ParquetFile(session / declared["file"])
        fields = [(field.name, type_words(field.type), field.nullable) for field in opened.schema_arrow]
        wanted = [(column["name"], column["type"], column["nullable"]) for column in declared["columns"]]
        checks.same(fields, wanted, f"columns of {name} as pyarrow sees them")
        keys = {key.decode() for key in opened.metadata.metadata} - {"ARROW:schema"}
        wanted = {entry["key"] for entry in declared["metadata"]} - (OF_SAMPLES if name != "samples" else set())
        checks.same(keys, wanted, f"metadata keys of {name}")
        encodings(checks, opened, declared)
        if name == "samples":
            one_channel_a_group(checks, opened, card)


def one_channel_a_group(checks, opened, card):
    """Each row group holds one channel in the order of time; the metadata tells how many make a stretch."""
    order = [channel["id"] for channel in card["head"]["channels"]]
    groups = []
    for at in range(opened.num_row_groups):
        rows = opened.read_row_group(at, columns=["channel", "tick"])
        names, ticks = set(rows["channel"].to_pylist()), rows["tick"].to_pylist()
        checks.same(len(names), 1, f"channels in row group {at}")
        checks.that(all(a <= b for a, b in zip(ticks, ticks[1:])), f"times of row group {at} never go back")
        groups.append(order.index(names.pop()))
    stretches = json.loads(opened.metadata.metadata[SLICES.encode()])
    checks.same(sum(stretches), len(groups), "the stretches make all row groups")
    for length in stretches:
        stretch, groups = groups[:length], groups[length:]
        checks.same(stretch, sorted(stretch), "the channels of a stretch stand in the order of the session's head")


def encodings(checks, opened, declared):
    """The declared encoding is among those of each column; a dictionary may be given up where it grows."""
    for group in range(opened.num_row_groups):
        for at, column in enumerate(declared["columns"]):
            found = opened.metadata.row_group(group).column(at).encodings
            checks.that(column["encoding"] in found, f"{declared['table']}.{column['name']}: {found}")


def type_words(kind):
    """A type of Arrow in the words of the declared tables."""
    if pyarrow.types.is_dictionary(kind):
        return f"{type_words(kind.value_type)}, dictionary"
    if pyarrow.types.is_timestamp(kind):
        return f"timestamp[{kind.unit}, {kind.tz}]"
    return {"double": "float64"}.get(str(kind), str(kind))


def three_readings(checks, session, name, count):
    """The rows of a table, after three readers have agreed on their number."""
    path = session / f"{name}.parquet"
    table = pyarrow.parquet.ParquetFile(path).read()
    checks.same(table.num_rows, count, f"rows of {name} in pyarrow and in session.json")
    in_duckdb = duckdb.execute("SELECT count(*) FROM read_parquet(?)", [str(path)]).fetchone()[0]
    checks.same(in_duckdb, count, f"rows of {name} in DuckDB and in session.json")
    checks.same(polars.read_parquet(path).height, count, f"rows of {name} in Polars and in session.json")
    checks.that(count > 0, f"{name} has rows")
    return table


def values_by_channel(checks, session, samples, card):
    """Count, sum, least and greatest of each channel's values and counts are the same in all three. A gap has neither."""
    path = session / "samples.parquet"
    of_arrow = {}
    for row in samples.select(["channel", "value", "raw"]).to_pylist():
        if row["raw"] is None:
            continue
        of_arrow.setdefault(row["channel"], []).append((row["value"], row["raw"]))
    query = """SELECT channel, count(*), sum(value), min(value), max(value), sum(raw), min(raw), max(raw)
               FROM read_parquet(?) WHERE raw IS NOT NULL GROUP BY channel"""
    of_duckdb = {row[0]: row[1:] for row in duckdb.execute(query, [str(path)]).fetchall()}
    value, raw = polars.col("value"), polars.col("raw")
    kinds = [value.len().alias("n")]
    kinds += [value.sum().alias("vs"), value.min().alias("vl"), value.max().alias("vh")]
    kinds += [raw.sum().alias("rs"), raw.min().alias("rl"), raw.max().alias("rh")]
    readings = polars.read_parquet(path).filter(raw.is_not_null())
    of_polars = {row[0]: row[1:] for row in readings.group_by("channel").agg(kinds).rows()}

    checks.same(set(of_arrow), set(of_duckdb), "channels in pyarrow and DuckDB")
    checks.same(set(of_arrow), set(of_polars), "channels in pyarrow and Polars")
    checks.that(set(of_arrow) <= {channel["id"] for channel in card["head"]["channels"]}, "channels are declared")
    checks.same(sum(len(pairs) for pairs in of_arrow.values()), card["samples"], "all channels make all readings")
    for channel, pairs in of_arrow.items():
        values, counts = [pair[0] for pair in pairs], [pair[1] for pair in pairs]
        mine = (len(values), math.fsum(values), min(values), max(values), sum(counts), min(counts), max(counts))
        for reader, theirs in (("DuckDB", of_duckdb[channel]), ("Polars", of_polars[channel])):
            checks.that(agree(mine, theirs), f"{channel} in pyarrow {mine} and in {reader} {theirs}")
    straight_lines(checks, of_arrow, card)


def straight_lines(checks, by_channel, card):
    """A channel on a straight line has the value that its count, factor and offset make."""
    for channel in card["head"]["channels"]:
        if channel["factor"] == 0 or channel["rounding"] != "to the nearest count":
            continue
        pairs = by_channel.get(channel["id"], [])
        width = abs(channel["factor"])
        wrong = [p for p in pairs if abs(p[0] - (p[1] * channel["factor"] + channel["offset"])) > 1e-9 * max(width, 1)]
        if pairs:
            checks.same(wrong, [], f"{channel['id']}: value = count x factor + offset")


def agree(mine, theirs):
    """Whether two rows of counts, sums and ends are equal, sums of fractions but for their last bits."""
    exact = all(a == b for at, (a, b) in enumerate(zip(mine, theirs, strict=True)) if at != 1)
    return exact and math.isclose(mine[1], theirs[1], rel_tol=SUM_TOLERANCE, abs_tol=SUM_TOLERANCE)


def times(checks, samples, rows, session, card):
    """Times never go back, and UTC of events is the newest anchor plus what has passed since."""
    tick = int(samples.schema.metadata[b"holdgate.tick_ns"])
    by_channel = {}
    for name, at in zip(samples["channel"].to_pylist(), samples["tick"].to_pylist(), strict=True):
        by_channel.setdefault(name, []).append(at)
    for channel, ticks in by_channel.items():
        pairs = zip(ticks, ticks[1:])
        checks.that(all(a < b for a, b in pairs), f"the times of {channel} grow from row to row")
    moments = rows["at_ns"].to_pylist()
    checks.that(all(a <= b for a, b in zip(moments, moments[1:])), "the times of events never go back")
    everything = moments + [at * tick for at in samples["tick"].to_pylist()]
    # session.json tells moments before they were put to the nearest tick.
    near = [abs(a - b) <= tick / 2 for a, b in ((min(everything), card["first"]), (max(everything), card["last"]))]
    checks.that(all(near), f"first and last moment: {min(everything)}, {max(everything)}")

    anchors = [(0, card["head"]["utc_nanos"])]
    for text in rows["json"].to_pylist():
        event = json.loads(text)
        if event["event"]["kind"] == "anchor":
            anchors.append((event["at"], event["event"]["utc_nanos"]))
    checks.that(len(anchors) > 1, "the session has an anchor event")
    for table in (samples, rows):
        told = json.loads(table.schema.metadata[b"holdgate.anchors"])
        checks.same([(a["at_ns"], a["utc_ns"]) for a in told], anchors[1:], "anchors in the metadata and as events")

    def utc(at):
        known = [anchor for anchor in anchors if anchor[0] <= at] or anchors[:1]
        return known[-1][1] + at - known[-1][0]

    nanos = rows["utc"].cast(pyarrow.int64()).to_pylist()
    wrong = [(at, to) for at, to in zip(moments, nanos, strict=True) if utc(at) != to]
    checks.same(wrong, [], "UTC of events is the anchor plus the time since")
    path = session / "events.parquet"
    in_duckdb = duckdb.execute("SELECT epoch_ns(utc) FROM read_parquet(?)", [str(path)]).fetchall()
    checks.same([row[0] for row in in_duckdb], nanos, "UTC of events in DuckDB and pyarrow")
    theirs = polars.read_parquet(path)["utc"]
    checks.same(theirs.dtype, polars.Datetime("ns", "UTC"), "type of UTC of events in Polars")
    checks.same(theirs.dt.epoch("ns").to_list(), nanos, "UTC of events in Polars and pyarrow")


def the_events(checks, rows, events):
    """The table of events is the stream, numbered without gaps, and its columns say what its JSON says."""
    table = rows.to_pylist()
    numbers = [row["seq"] for row in table]
    checks.same(numbers, list(range(1, len(table) + 1)), "events are numbered from 1 without gaps")
    checks.same([json.loads(row["json"]) for row in table], events, "the table of events and the stream")
    for row in table:
        event = json.loads(row["json"])
        told = (event["seq"], event["at"], event["event"]["kind"])
        checks.same((row["seq"], row["at_ns"], row["kind"]), told, f"columns of event {row['seq']}")
    steps = [row["step"] for row in table if row["kind"] == "step_started"]
    named = [json.loads(row["json"])["event"]["step"] for row in table if row["kind"] == "step_started"]
    checks.same(steps, named, "column step names the step that began")
    holds = [row["kind"] for row in table if row["kind"] in ("hold_engaged", "hold_released")]
    checks.same(holds, ["hold_engaged", "hold_released"] * (len(holds) // 2), "every hold is released")


def the_descriptions(checks, schemas):
    """The committed descriptions are as their committed schema says, for a validator from outside."""
    schema = json.loads((schemas / "car-description.schema.json").read_text(encoding="utf-8"))
    jsonschema.Draft202012Validator.check_schema(schema)
    validator = jsonschema.Draft202012Validator(schema)
    for path in sorted((schemas / "cars").glob("*.toml")):
        description = tomllib.loads(path.read_text(encoding="utf-8"))
        wrong = [error.message for error in validator.iter_errors(description)]
        checks.same(wrong, [], f"{path.name} is as car-description.schema.json says")
    checks.that(not validator.is_valid({"nonsense": 1}), "car-description.schema.json refuses nonsense")
    commands = json.loads((schemas / "commands.schema.json").read_text(encoding="utf-8"))
    jsonschema.Draft202012Validator.check_schema(commands)
    release = {"schema": 1, "seq": 1, "station": "bench", "command": {"ask": "release", "output": "idle_valve"}}
    validator = jsonschema.Draft202012Validator(commands)
    checks.that(validator.is_valid(release), "commands.schema.json takes a release")
    release["command"]["output"] = "../idle_valve"
    checks.that(not validator.is_valid(release), "commands.schema.json refuses a name that leaves its folder")


def the_session(checks, card, schemas):
    """The session's own files are as their committed schemas say."""
    schema = json.loads((schemas / "session.schema.json").read_text(encoding="utf-8"))
    jsonschema.Draft202012Validator.check_schema(schema)
    validator = jsonschema.Draft202012Validator(schema)
    wrong = [error.message for error in validator.iter_errors(card)]
    checks.same(wrong, [], "session.json is as session.schema.json says")
    checks.that(not validator.is_valid({**card, "samples": "many"}), "session.schema.json refuses a text for a count")
    schema = json.loads((schemas / "notes.schema.json").read_text(encoding="utf-8"))
    jsonschema.Draft202012Validator.check_schema(schema)
    validator = jsonschema.Draft202012Validator(schema)
    notes = {"schema": 1, "tags": {"fuel": "e5", "who": None}, "notes": [{"utc_nanos": 1, "text": "x"}], "keep": True}
    checks.that(validator.is_valid(notes), "notes.schema.json takes notes")
    checks.that(not validator.is_valid({**notes, "colour": "red"}), "notes.schema.json refuses an unknown field")


if __name__ == "__main__":
    if len(sys.argv) != 4:
        sys.exit(__doc__)
    main(*(Path(argument) for argument in sys.argv[1:]))
