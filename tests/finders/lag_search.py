"""Find how closely lags are looked at, and when a lag counts as sure, from scratch.

Model and criterion are those of body_law_widening.py: at least 98 % of the intervals of
each coefficient hold, and at most 5 wrong signs in 102 runs. Among what meets it,
to 1 % of the narrowest intervals (geometric mean of half-widths, linear), the least
work is found: the largest difference, and the least ratio.
Grid: difference of log evidence 0.125, 0.5, 2, 8; ratio of lags 1, 1.1, 1.2, 1.5, 3;
one after the other. 3 minutes.

    python tests/finders/lag_search.py [--runs N] [--seed S]
"""

import argparse
import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))

from body_law_widening import LEAST_HELD, MOST_WRONG, drawn, fitted, verdicts

from benchlog.analysis.fitting.body_law import _INEXACT
from benchlog.analysis.fitting.thermal_lag import LAG_SEARCH

RESOLVED = (0.125, 0.5, 2.0, 8.0)
ALIKE = 1.01
SURE = (1.0, 1.1, 1.2, 1.5, 3.0)


def main(arguments=None):
    parser = argparse.ArgumentParser()
    parser.add_argument("--runs", type=int, default=102)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args(arguments)
    data = drawn(asked.runs, asked.seed)
    of_code = fitted(data)
    print("share of intervals that hold, in %, wrong signs in 100 runs, half-width")
    best = []
    for name, grid in (("resolved", RESOLVED), ("sure", SURE)):
        print(f"{name:>8}  linear quadratic   cubic   wrong   ppm/C")
        passed = {}
        for one in grid:
            search = LAG_SEARCH._replace(**{name: one})
            same = search == LAG_SEARCH
            found, half, lagged = of_code if same else fitted(data, search)
            half = half * np.where(lagged, _INEXACT, 1.0)
            held, wrong = verdicts(found, half)
            width = float(np.exp(np.log(half[:, 0]).mean()))
            linear, quadratic, cubic = 100 * held
            shares = f"{linear:8.1f}{quadratic:10.1f}{cubic:8.1f}{100 * wrong:8.1f}"
            print(f"{one:8g}{shares}{width:8.4f}")
            if held.min() >= LEAST_HELD and wrong <= MOST_WRONG:
                passed[one] = width
        narrow = [x for x in passed if passed[x] <= ALIKE * min(passed.values())]
        chosen = max if name == "resolved" else min
        best.append(chosen(narrow) if narrow else None)
    print(f"found: resolved {best[0]}, sure {best[1]}")
    return tuple(best)


if __name__ == "__main__":
    main()
