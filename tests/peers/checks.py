"""Counts checks and tells those that fail."""

import sys


class Checks:
    """Counts of checks passed and failed."""

    def __init__(self):
        self.passed = 0
        self.failed = 0

    def that(self, holds, what):
        """One check; `what` says in words what must hold."""
        if holds:
            self.passed += 1
        else:
            self.failed += 1
            print(f"FAILED: {what}")

    def same(self, one, other, what):
        """One check that two values are equal."""
        self.that(one == other, f"{what}: {one!r} is not {other!r}"[:2000])

    def end(self):
        """Prints the counts and ends the program; a run without a check has failed."""
        if self.passed + self.failed == 0:
            self.that(False, "at least one check was made")
        print(f"{self.passed} passed, {self.failed} failed")
        sys.exit(1 if self.failed else 0)
