"""Runs the views of schemas/views in DuckDB and compares each with the same figures calculated from the Parquet
files by another way: row by row in Python, with the times in whole nanoseconds from the files' metadata.

Usage: views.py FOLDER SCHEMAS-FOLDER, where FOLDER holds `archive`.
"""

import json
import math
import os
import sys
from bisect import bisect_right
from collections import Counter
from datetime import date, datetime, timedelta
from pathlib import Path

import duckdb
import pyarrow.parquet

from checks import Checks
from sql import declared, statements, views

# Numbers that are calculated differ in their last bits.
TOLERANCE = 1e-12
# A difference of two times loses the digits that their size takes up: a billionth of a second after half a year.
SECONDS = 1e-8
EPOCH = datetime(1970, 1, 1)
# The columns that tell the rows of a view apart, where it has them; rows are put in their order before they are
# compared.
KEYS = {"session", "seq", "channel", "other", "at_s", "from_s"}


def main(folder, schemas):
    checks = Checks()
    found = views(schemas)
    os.chdir(folder)
    database = duckdb.connect()
    # The views must not depend on where the computer stands.
    database.execute("SET TimeZone = 'Pacific/Auckland'")
    for path in [schemas / "views" / "base" / "duckdb.sql", *found.values()]:
        for statement in statements(path):
            database.execute(statement)
    for name, path in found.items():
        checks.same(columns(database, name), list(declared(path)), f"columns of {name} and those of its comment")
    checks.same(set(found), set(OF_SESSION), "every view is compared, and every comparison has its view")
    sessions = [Session(path) for path in sorted(Path("archive").glob("car=*/date=*/*"))]
    the_archive(checks, sessions)
    for name in found:
        expected = [row for session in sessions for row in OF_SESSION[name](session)]
        compare(checks, database, name, expected)
    checks.end()


class Session:
    """What the files of one session hold, and its times by their metadata."""

    def __init__(self, folder):
        self.car = folder.parts[-3].removeprefix("car=")
        self.date = date.fromisoformat(folder.parts[-2].removeprefix("date="))
        rows = pyarrow.parquet.ParquetFile(folder / "samples.parquet").read()
        self.samples = rows.to_pylist()
        self.events = pyarrow.parquet.ParquetFile(folder / "events.parquet").read().to_pylist()
        for row in self.events:
            row["told"] = json.loads(row["json"])["event"]
        about = rows.schema.metadata
        self.session = about[b"holdgate.session"].decode()
        self.tick_ns = int(about[b"holdgate.tick_ns"])
        self.zero = int(about[b"holdgate.utc_nanos"])
        self.anchors = [(a["at_ns"], a["utc_ns"]) for a in json.loads(about[b"holdgate.anchors"])]

    def utc(self, at_ns):
        """UTC by the newest anchor at or before a moment, in ns since 1970."""
        place = bisect_right(self.anchors, at_ns, key=lambda anchor: anchor[0])
        at, utc = self.anchors[place - 1] if place else (0, self.zero)
        return utc + at_ns - at

    def whose(self):
        return {"session": self.session, "car": self.car, "date": self.date}


class Near(int):
    """A moment in ns that a view gives to the microsecond."""


def the_archive(checks, sessions):
    """What is compared has everything in it that the views tell apart."""
    samples = [row for session in sessions for row in session.samples]
    events = [row for session in sessions for row in session.events]
    checks.that(len({s.car for s in sessions}) > 1 and len(sessions) > 3, "several sessions of several cars")
    checks.that(any(session.tick_ns == 10_000 for session in sessions), "a tick is what the views take it for")
    checks.that(any(len(session.anchors) > 2 for session in sessions), "a clock was set more than once")
    checks.that(any(not session.samples for session in sessions), "a session has no samples")
    gaps = {row["quality"] for row in samples if row["raw"] is None}
    checks.same(gaps, {"no_answer", "damaged", "refused", "link_down", "lost"}, "gaps of every reason")
    kept = {row["quality"] for row in samples if row["raw"] is not None}
    checks.same(kept, {"good", "implausible", "saturated", "invalid"}, "readings of every quality")
    kinds = Counter(row["kind"] for row in events)
    wanted = ["anchor", "step_skipped", "step_ended", "measured", "result", "noted", "session_ended"]
    checks.that(all(kinds[kind] for kind in wanted), f"events of every kind that the views name: {kinds}")


def columns(database, name):
    """The columns of a view, as DuckDB sees them."""
    return [row[0] for row in database.execute(f"DESCRIBE {name}").fetchall()]


def compare(checks, database, name, expected):
    """The rows of a view are those calculated, in any order."""
    names = columns(database, name)
    for row in expected:
        if set(row) != set(names):
            checks.same(sorted(row), sorted(names), f"columns of {name} that were calculated")
            return
    keys = [at for at, column in enumerate(names) if column in KEYS]
    key = lambda row: [row[at] for at in keys]
    mine = sorted((tuple(row[column] for column in names) for row in expected), key=key)
    theirs = sorted(database.execute(f"SELECT * FROM {name}").fetchall(), key=key)
    checks.same(len(theirs), len(mine), f"rows of {name}")
    checks.that(len(mine) > 1, f"{name} has rows")
    within = [SECONDS if column.endswith("_s") else TOLERANCE for column in names]
    wrong = [pair for pair in zip(theirs, mine) if not all(map(alike, *pair, within))]
    checks.that(not wrong, f"{name}: {len(wrong)} rows differ, the first of them {wrong[:1]}")
    # Every column says something somewhere, or it was not compared.
    for at, column in enumerate(names):
        checks.that(any(row[at] is not None for row in mine), f"{name}.{column} has values")


def alike(one, other, within):
    """Whether a view's cell is what was calculated; a number with a fraction may be off by so much."""
    if isinstance(other, Near):
        return isinstance(one, datetime) and abs((one - EPOCH) // timedelta(microseconds=1) * 1000 - other) < 2000
    if isinstance(other, float) and isinstance(one, float):
        return one == other or (math.isnan(one) and math.isnan(other)) or math.isclose(
            one, other, rel_tol=TOLERANCE, abs_tol=within
        )
    return type(one) is type(other) and one == other


def of_events(s):
    for row in s.events:
        kept = {key: row[key] for key in ("seq", "kind", "step", "subject", "word", "value", "unit", "json")}
        yield s.whose() | kept | {"at_s": row["at_ns"] / 1e9, "utc": Near(s.utc(row["at_ns"]))}


def of_samples(s):
    for row in s.samples:
        kept = ("channel", "raw", "value", "unit", "noise", "resolution", "shared", "quality")
        gap = row["raw"] is None
        parts = () if gap else (row["noise"], row["resolution"] / math.sqrt(12), row["shared"])
        at_ns = row["tick"] * s.tick_ns
        yield s.whose() | {key: row[key] for key in kept} | {
            "at_s": at_ns / 1e9,
            "utc": Near(s.utc(at_ns)),
            "half_s": row["half_ticks"] * s.tick_ns / 1e9,
            "u": None if gap else math.hypot(*parts),
            "is_gap": gap,
        }


def of_gaps(s):
    for row in s.samples:
        if row["raw"] is None:
            from_s, to_s = ((row["tick"] + way * row["half_ticks"]) * s.tick_ns / 1e9 for way in (-1, 1))
            yield s.whose() | {
                "channel": row["channel"],
                "from_s": from_s,
                "to_s": to_s,
                "length_s": 2 * row["half_ticks"] * s.tick_ns / 1e9,
                "utc": Near(s.utc(row["tick"] * s.tick_ns)),
                "why": row["quality"],
            }


def turns(s):
    """Each turn of a step as the events tell it, in order: begun by one event, ended by the next of its kind."""
    running, found = None, []
    for row in s.events:
        told = row["told"]
        if row["kind"] in ("step_started", "step_skipped"):
            turn = {"seq": row["seq"], "step": told["step"], "title": told.get("title"), "reason": told.get("reason")}
            turn |= {"from": row["at_ns"], "to": None, "ending": None}
            if row["kind"] == "step_skipped":
                turn |= {"to": row["at_ns"], "ending": "skipped"}
            else:
                running = turn
            found.append(turn)
        elif row["kind"] == "step_ended":
            running |= {"to": row["at_ns"], "ending": told["ending"]}
    return found


def of_steps(s):
    for turn in turns(s):
        from_s, to = turn["from"] / 1e9, turn["to"]
        yield s.whose() | {key: turn[key] for key in ("seq", "step", "title", "ending", "reason")} | {
            "from_s": from_s,
            "to_s": None if to is None else to / 1e9,
            "length_s": None if to is None else (to - turn["from"]) / 1e9,
        }


def of_sessions(s):
    moments = [row["at_ns"] for row in s.events] + [row["tick"] * s.tick_ns for row in s.samples]
    told = {row["kind"]: row["told"] for row in s.events}
    gaps = sum(row["raw"] is None for row in s.samples)
    yield s.whose() | {
        "procedure": told["session_started"]["procedure"],
        "began": Near(s.utc(min(moments))),
        "ended": Near(s.utc(max(moments))),
        "length_s": (max(moments) - min(moments)) / 1e9,
        "ending": told.get("session_ended", {}).get("ending"),
        "readings": len(s.samples) - gaps,
        "gaps": gaps,
        "channels": len({row["channel"] for row in s.samples}),
        "events": len(s.events),
    }


def of_step_samples(s):
    steps = turns(s)
    kept = ("channel", "at_s", "utc", "raw", "value", "unit", "u", "quality", "is_gap")
    for row, told in zip(s.samples, of_samples(s), strict=True):
        at_ns = row["tick"] * s.tick_ns
        inside = [turn for turn in steps if turn["from"] <= at_ns and (turn["to"] is None or at_ns < turn["to"])]
        turn = inside[0] if inside else {"step": None, "seq": None}
        yield s.whose() | {key: told[key] for key in kept} | {
            "step": turn["step"],
            "step_seq": turn["seq"],
            "into_s": (at_ns - turn["from"]) / 1e9 if inside else None,
        }


def of_aligned(s):
    good = {}
    for row in s.samples:
        if row["quality"] == "good":
            good.setdefault(row["channel"], []).append(row)
    for rows in good.values():
        rows.sort(key=lambda row: row["tick"])
    for channel, rows in good.items():
        for other, others in good.items():
            ticks = [row["tick"] for row in others]
            for row in rows:
                place = bisect_right(ticks, row["tick"])
                if other == channel or place == 0:
                    continue
                at_ns, found = row["tick"] * s.tick_ns, others[place - 1]
                yield s.whose() | {
                    "channel": channel,
                    "at_s": at_ns / 1e9,
                    "utc": Near(s.utc(at_ns)),
                    "value": row["value"],
                    "unit": row["unit"],
                    "other": other,
                    "other_value": found["value"],
                    "other_unit": found["unit"],
                    "other_age_s": (row["tick"] - found["tick"]) * s.tick_ns / 1e9,
                }


def of_measured(s):
    for row in s.events:
        told, kind = row["told"], row["kind"]
        if kind == "measured":
            estimate, names = told["estimate"], {"name": told["name"], "channel": told["channel"]}
        elif kind == "result":
            estimate, names = told["finding"]["estimate"], {"name": told["name"], "channel": told["finding"]["channel"]}
        elif kind == "noted" and told["value"]["type"] in ("quantity", "estimate"):
            estimate, names = told["value"]["value"], {"name": told["key"], "channel": None}
        else:
            continue
        estimate = estimate or {}
        over = told.get("over")
        yield s.whose() | names | {key: estimate.get(key) for key in ("value", "low", "high", "unit")} | {
            "seq": row["seq"],
            "at_s": row["at_ns"] / 1e9,
            "utc": Near(s.utc(row["at_ns"])),
            "step": row["step"],
            "kind": kind,
            "word": told["finding"]["word"] if kind == "result" else None,
            "readings": told.get("readings"),
            "over_s": None if over is None else over / 1e9,
        }


OF_SESSION = {
    "events": of_events,
    "samples": of_samples,
    "gaps": of_gaps,
    "steps": of_steps,
    "sessions": of_sessions,
    "step_samples": of_step_samples,
    "aligned": of_aligned,
    "measured": of_measured,
}


if __name__ == "__main__":
    if len(sys.argv) != 3:
        sys.exit(__doc__)
    main(Path(sys.argv[1]).resolve(), Path(sys.argv[2]).resolve())
