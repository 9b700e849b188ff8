"""Runs every Python example of README.md and schemas/READING.md as it stands there, and compares what they find.

Usage: guide.py FOLDER SCHEMAS-FOLDER, where FOLDER holds `archive` and has a link to the folder of schemas.
"""

import contextlib
import io
import math
import os
import re
import sys
import traceback
from pathlib import Path

from checks import Checks
from sql import views


def examples(text, kind):
    """The fenced examples of one kind, in order."""
    return re.findall(rf"^```{re.escape(kind)}\n(.*?)^```$", text, flags=re.MULTILINE | re.DOTALL)


def run(example):
    """Runs an example; gives what it printed, the value it calls `result`, if it does, and what stopped it."""
    names, printed, trouble = {"__name__": "example"}, io.StringIO(), ""
    with contextlib.redirect_stdout(printed):
        try:
            exec(compile(example, "example", "exec"), names)
        except Exception:
            trouble = traceback.format_exc()
    result = names.get("result")
    return printed.getvalue(), result and [tuple(row) for row in result], trouble


def agree(one, other):
    """Whether two lists of channel, count and mean are the same but for the last bits of the means."""
    return len(one) == len(other) and all(
        a[:2] == b[:2] and math.isclose(a[2], b[2], rel_tol=1e-9) for a, b in zip(one, other)
    )


def main(folder, schemas):
    checks = Checks()
    text = (schemas / "READING.md").read_text(encoding="utf-8")
    listed = re.findall(r"^\| `([a-z_]+)` \|", text, flags=re.MULTILINE)
    checks.same(listed, list(views(schemas)), "views listed in the guide and those of the folder, in order")
    os.chdir(folder)
    found = []
    first = (schemas.parent / "README.md").read_text(encoding="utf-8")
    for example in examples(first, "python") + examples(text, "python"):
        printed, result, trouble = run(example)
        checks.same(trouble, "", f"the example runs:\n{example}")
        checks.that(printed.strip() != "", f"the example prints something:\n{example}")
        if result:
            found.append(result)
    checks.same(len(found), 5, "examples that ask for the same")
    checks.that(len(found[0]) > 3, f"it has an answer: {found[0]}")
    for result in found[1:]:
        checks.that(agree(result, found[0]), f"{result} and {found[0]}")
    checks.end()


if __name__ == "__main__":
    if len(sys.argv) != 3:
        sys.exit(__doc__)
    main(Path(sys.argv[1]).resolve(), Path(sys.argv[2]).resolve())
