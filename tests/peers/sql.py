"""The views of schemas/views as texts: in which order, which statements, which columns their comments declare."""

import re


def views(schemas):
    """The views' files by name, in the order in which they are read in."""
    return {path.stem.split("_", 1)[1]: path for path in sorted((schemas / "views").glob("*.sql"))}


def statements(path):
    """The statements of a file, without the lines that are comments."""
    lines = path.read_text(encoding="utf-8").splitlines()
    text = "\n".join(line for line in lines if not line.lstrip().startswith("--"))
    return [statement.strip() for statement in text.split(";") if statement.strip()]


def declared(path):
    """The columns that a view's comment declares, in order, each with what it says."""
    columns = {}
    for line in path.read_text(encoding="utf-8").splitlines():
        if not line.startswith("--"):
            break
        found = re.fullmatch(r"-- ([a-z_0-9]+): (.+)", line)
        if found:
            columns[found.group(1)] = found.group(2)
    return columns
