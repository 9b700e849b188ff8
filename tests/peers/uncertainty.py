"""Checks intervals and quantiles against SciPy, by another way than the program's own.

The program solves a closed form by Newton's steps; here the convolution of rectangle and normal distribution
is integrated numerically and its quantile bracketed (JCGM 101:2008, 5.3 and 7.7). The quantiles of Student's t
are SciPy's. Usage: uncertainty.py VALUES, as printed by the example `intervals`.
"""

import sys
from pathlib import Path

from scipy import integrate, optimize, stats

from checks import Checks

COVERAGE = 0.975
# Numerical integration is trusted this far, relative to the interval.
TOLERANCE = 1e-8


def half_width(rectangle, normal):
    """Half the width of the symmetric 95 % interval, by numerical integration."""
    if normal == 0:
        return 0.95 * rectangle
    if rectangle == 0:
        return stats.norm.ppf(COVERAGE) * normal
    s = normal / rectangle

    def miss(x):
        # The distribution of the sum: the normal one, averaged over the rectangle from -1 to 1. The integrator
        # is told where the integrand falls, or it would step over a narrow fall.
        falls = (x + width * s for width in (-9, -5, -2, 0, 2, 5, 9))
        bend = [point for point in falls if -1 < point < 1]
        area = integrate.quad(
            lambda u: stats.norm.cdf((x - u) / s), -1, 1, points=bend or None, epsabs=1e-13, epsrel=1e-13, limit=200
        )[0]
        return area / 2 - COVERAGE

    return rectangle * optimize.brentq(miss, 0.9, 1.1 + 2 * s, xtol=1e-14 * (1 + s), rtol=1e-14)


def main(values):
    checks = Checks()
    known = {}
    for line in values.read_text(encoding="utf-8").splitlines():
        kind, *texts = line.split()
        numbers = [float(text) for text in texts]
        if kind == "interval":
            rectangle, normal, seen = numbers
            # The size of the inputs only scales the result, so one integration serves all sizes.
            size = rectangle or normal or 1
            key = (rectangle / size, round(normal / size, 12))
            if key not in known:
                known[key] = half_width(*key)
            expected = known[key] * size
            wrong = abs(seen - expected) > TOLERANCE * max(abs(expected), 1e-300)
            checks.that(not wrong, f"rectangle {rectangle}, normal {normal}: {seen} is not {expected}")
        elif kind == "student":
            freedom, seen = numbers
            expected = stats.t.ppf(COVERAGE, freedom)
            checks.that(abs(seen - expected) < TOLERANCE * expected, f"t for {freedom}: {seen} is not {expected}")
        else:
            checks.that(False, f"'{line}' is neither an interval nor a quantile")
    checks.end()


if __name__ == "__main__":
    if len(sys.argv) != 2:
        sys.exit(__doc__)
    main(Path(sys.argv[1]))
