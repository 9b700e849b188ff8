"""Compares a recorded session with the bench car's own log of what it sent.

The log is written by the controller's end of the line, which shares no code with the recorder. It is decoded here
by what the controller's description says (TOML), message by message as ISO 14230-2 frames them (from memory), and must
give the count, sum, least and greatest raw value of every channel that pyarrow, DuckDB and Polars find in the
record, and pyarrow's in their order and at their times. Usage: sent.py SESSION-FOLDER SENT-LOG DESCRIPTION
"""

import csv
import sys
import tomllib
from pathlib import Path

import duckdb
import polars
import pyarrow.parquet

from checks import Checks

# Keys of a channel that say where its count lies; another one of that kind must be taught to this program first.
KNOWN = {"id", "title", "request", "at", "bytes", "bit", "factor", "offset", "unit", "noise", "shared"}
KNOWN |= {"plausible", "saturates", "ratiometric", "period_ms"}
TICK_NS = 10_000
READING = "quality IN ('good', 'implausible', 'saturated', 'invalid')"


def payload(message):
    """What a message of ISO 14230-2 carries, without header and checksum; none of a broken one."""
    if len(message) < 3 or sum(message[:-1]) % 256 != message[-1]:
        return None
    header = 1 if message[0] & 0xC0 == 0 else 3
    length = message[0] & 0x3F
    if length == 0:
        length, header = message[header], header + 1
    body = message[header:-1]
    return body if len(body) == length else None


def sent_by_channel(log, description):
    """For each channel the counts that the log gives, with the moment at which their answer began."""
    requests = {request["name"]: bytes.fromhex(request["bytes"]) for request in description["request"]}
    lengths = {request["name"]: request["answer_bytes"] for request in description["request"]}
    sent = {channel["id"]: [] for channel in description["channel"]}
    with log.open(newline="", encoding="utf-8") as lines:
        for row in csv.DictReader(lines):
            asked, answer = payload(bytes.fromhex(row["request"])), payload(bytes.fromhex(row["answer"]))
            for channel in description["channel"]:
                request = requests[channel["request"]]
                # A positive answer has 40 hex added to the service, and repeats the rest of the request.
                begins = bytes([request[0] + 0x40]) + request[1:]
                if asked != request or not answer.startswith(begins):
                    continue
                data = answer[len(begins) :]
                if len(data) == lengths[channel["request"]]:
                    sent[channel["id"]].append((int(row["start_ns"]), count_of(channel, data)))
    return {name: counts for name, counts in sent.items() if counts}


def count_of(channel, data):
    """A channel's count in the data of an answer."""
    at = channel["at"]
    if "bit" in channel:
        return data[at] >> channel["bit"] & 1
    return int.from_bytes(data[at : at + channel["bytes"]], "big")


def main(session, log, description):
    checks = Checks()
    description = tomllib.loads(description.read_text(encoding="utf-8"))
    for channel in description["channel"]:
        checks.same(set(channel) - KNOWN, set(), f"keys of {channel['id']} that say how it is read are known here")
    sent = sent_by_channel(log, description)
    checks.that(len(sent) > 3, f"the log has several channels: {sorted(sent)}")

    path = session / "samples.parquet"
    names = ["channel", "tick", "half_ticks", "raw"]
    recorded = {}
    for name, tick, half, raw in zip(*(pyarrow.parquet.read_table(path)[name].to_pylist() for name in names)):
        if raw is not None:
            recorded.setdefault(name, []).append((tick, half, raw))
    checks.same(set(recorded), set(sent), "channels recorded and sent")
    for name, counts in sent.items():
        mine = recorded.get(name, [])
        checks.same([raw for _, _, raw in mine], [raw for _, raw in counts], f"counts of {name}, in order")
        # The interval ends where the answer began. It was rounded outward by less than two ticks; before that, half
        # of an odd number of nanoseconds was cut to a whole one.
        late = [(tick + half) * TICK_NS - start for (tick, half, _), (start, _) in zip(mine, counts)]
        checks.that(all(-1 <= ns < 2 * TICK_NS for ns in late), f"times of {name}: {min(late)} to {max(late)} ns")

    figures = {name: [count for _, count in counts] for name, counts in sent.items()}
    figures = {name: (len(c), sum(c), min(c), max(c)) for name, c in figures.items()}
    of_arrow = {name: [raw for _, _, raw in rows] for name, rows in recorded.items()}
    checks.same({name: (len(c), sum(c), min(c), max(c)) for name, c in of_arrow.items()}, figures, "figures in pyarrow")
    query = f"""SELECT channel, count(*), sum(raw)::BIGINT, min(raw), max(raw)
                FROM read_parquet(?) WHERE {READING} GROUP BY channel"""
    of_duckdb = {row[0]: row[1:] for row in duckdb.execute(query, [str(path)]).fetchall()}
    checks.same(of_duckdb, figures, "figures in DuckDB")
    raw = polars.col("raw")
    kinds = [raw.count().alias("n"), raw.sum().alias("s"), raw.min().alias("l"), raw.max().alias("h")]
    readings = polars.read_parquet(path).filter(raw.is_not_null())
    of_polars = {row[0]: row[1:] for row in readings.group_by("channel").agg(kinds).rows()}
    checks.same(of_polars, figures, "figures in Polars")
    checks.end()


if __name__ == "__main__":
    if len(sys.argv) != 4:
        sys.exit(__doc__)
    main(*(Path(argument) for argument in sys.argv[1:]))
