"""Runs every view of schemas/views in Spark SQL and in DuckDB over one archive, and compares them row by row.

Writes what it found as a page of Markdown. Usage: views.py FOLDER SCHEMAS-FOLDER REVISION PAGE, where FOLDER holds
`archive` and has a link to the folder of schemas.
"""

import math
import os
import platform
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "peers"))

import duckdb
import pyspark
from guide import examples
from pyspark.sql import SparkSession

from checks import Checks
from sql import declared, statements, views

# Relative; two programs may add up in another order.
TOLERANCE = 1e-9


def main(folder, schemas, revision, page):
    checks = Checks()
    found = views(schemas)
    base = schemas / "views" / "base"
    os.chdir(folder)
    spark = begin_spark()
    database = duckdb.connect()
    for path in [base / "duckdb.sql", *found.values()]:
        for statement in statements(path):
            database.execute(statement)
    for path in [base / "spark.sql", *found.values()]:
        for statement in statements(path):
            spark.sql(statement)
    lines = [compare(checks, spark, database, name, path) for name, path in found.items()]
    the_guide(checks, schemas, database)
    page.write_text(told(checks, lines, spark, database, revision), encoding="utf-8")
    spark.stop()
    checks.end()


def begin_spark():
    """Spark in this process alone: no page of its own, no files beside the archive."""
    builder = SparkSession.builder.master("local[2]").appName("views")
    builder = builder.config("spark.ui.enabled", "false").config("spark.sql.shuffle.partitions", "4")
    spark = builder.config("spark.sql.warehouse.dir", str(Path("spark-warehouse").resolve())).getOrCreate()
    spark.sparkContext.setLogLevel("ERROR")
    return spark


def compare(checks, spark, database, name, path):
    """Compares one view; gives its line of the page."""
    failed = checks.failed
    in_spark = spark.sql(f"SELECT * FROM {name}")
    checks.same(in_spark.columns, list(declared(path)), f"columns of {name} in Spark and in its comment")
    in_duckdb = database.execute(f"SELECT * FROM {name}")
    checks.same([column[0] for column in in_duckdb.description], in_spark.columns, f"columns of {name} in both")
    theirs = sorted((tuple(row) for row in in_spark.collect()), key=order)
    mine = sorted(in_duckdb.fetchall(), key=order)
    checks.same(len(theirs), len(mine), f"rows of {name}")
    checks.that(len(mine) > 0, f"{name} has rows")
    wrong = [pair for pair in zip(theirs, mine) if not all(map(alike, *pair))]
    checks.that(not wrong, f"{name}: {len(wrong)} rows differ, the first of them {wrong[:1]}")
    verdict = "the same" if checks.failed == failed else "not the same"
    return f"| `{name}` | {len(in_spark.columns)} | {len(theirs)} | {len(mine)} | {len(wrong)} | {verdict} |"


def order(row):
    """Sorts by all cells: times on the station's clock lie on a grid of nanoseconds, so that digits serve."""
    return tuple(
        (value is None, f"{value:030.9f}" if isinstance(value, float) else str(value)) for value in row
    )


def alike(one, other):
    """Whether two cells are the same, numbers with fractions but for their last digits."""
    if isinstance(one, float) and isinstance(other, float):
        return (math.isnan(one) and math.isnan(other)) or math.isclose(one, other, rel_tol=TOLERANCE, abs_tol=TOLERANCE)
    return type(one) is type(other) and one == other


def the_guide(checks, schemas, database):
    """The guide's example for Spark finds what DuckDB finds."""
    text = (schemas / "READING.md").read_text(encoding="utf-8")
    found = examples(text, "python spark")
    checks.same(len(found), 1, "examples for Spark in the guide")
    for example in found:
        names = {"__name__": "example"}
        exec(compile(example, "example", "exec"), names)
        query = """SELECT channel, count(*), avg(value) FROM samples WHERE quality = 'good' GROUP BY channel
                   ORDER BY channel"""
        mine, theirs = database.execute(query).fetchall(), [tuple(row) for row in names["result"]]
        checks.same(len(theirs), len(mine), "channels that the guide's example finds")
        wrong = [pair for pair in zip(theirs, mine) if not all(map(alike, *pair))]
        checks.same(wrong, [], "the guide's example in Spark and DuckDB")


def told(checks, lines, spark, database, revision):
    """The page."""
    java = spark.sparkContext._jvm.System.getProperty("java.version")
    sessions = database.execute("SELECT count(*), sum(readings), sum(gaps) FROM sessions").fetchone()
    total = f"{checks.passed} checks hold, {checks.failed} do not"
    return "\n".join(
        [
            "# The views in Spark and in DuckDB",
            "",
            "Written by `tests/spark/run`. One text of each view in `schemas/views` is run by both over one archive (two",
            "rehearsals, and invented sessions with gaps, a clock that is set, and an end that is missing). Their rows are",
            "sorted and compared cell by cell: texts, times, whole numbers exactly, other numbers to a relative",
            f"{TOLERANCE:g}.",
            "",
            f"Revision {revision}; pyspark {pyspark.__version__} on Java {java}, duckdb {duckdb.__version__},",
            f"Python {platform.python_version()}. Sessions {sessions[0]}, readings {sessions[1]}, gaps {sessions[2]}.",
            "",
            "| view | columns | rows in Spark | rows in DuckDB | rows that differ | |",
            "| --- | --- | --- | --- | --- | --- |",
            *lines,
            "",
            f"{total}.",
            "",
        ]
    )


if __name__ == "__main__":
    if len(sys.argv) != 5:
        sys.exit(__doc__)
    main(Path(sys.argv[1]).resolve(), Path(sys.argv[2]).resolve(), sys.argv[3], Path(sys.argv[4]).resolve())
