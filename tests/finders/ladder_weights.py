"""Find the weights of the ladder of noise mixtures from scratch, one after another.

Model, criterion and figure are those of ladder.py: the points by which the shares of
intervals that hold miss the aim of tests/analysis/coverage.md.
Grid: each weight times 1/8, 1/4, 1/2, 1, 2, 4, 8, the others as they are: white FM,
flicker FM and random-walk FM as the slower term, and white PM among several. 1 minute.

    python tests/finders/ladder_weights.py [--runs N] [--seed S]
"""

import argparse
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

from ladder import WITHIN, cells, points_beyond

from benchlog.analysis.noise_mixture import Ladder

TIMES = (0.125, 0.25, 0.5, 1.0, 2.0, 4.0, 8.0)
NAMES = ("white FM", "flicker FM", "random-walk FM", "white PM")


def ladder_with(which, times):
    """Return the ladder with one weight changed; the fourth is the phase rung's."""
    kept = Ladder()
    if which == 3:
        return kept._replace(phase_rung=kept.phase_rung * times)
    rungs = list(kept.rungs)
    rungs[which + 1] *= times
    return kept._replace(rungs=tuple(rungs))


def main(arguments=None):
    parser = argparse.ArgumentParser()
    parser.add_argument("--runs", type=int, default=500)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args(arguments)
    made = cells(asked.runs, asked.seed)
    print("points beyond the aim, all cells; down: times the weight, across: of which")
    print(" times" + "".join(f"{name:>16}" for name in NAMES))
    rows = []
    for times in TIMES:
        rows.append(
            [points_beyond(made, ladder=ladder_with(i, times)) for i in range(4)]
        )
        print(f"{times:6g}" + "".join(f"{one:16.2f}" for one in rows[-1]))
    best = {}
    for name, column in zip(NAMES, zip(*rows, strict=True), strict=True):
        near = [
            t for t, x in zip(TIMES, column, strict=True) if x <= min(column) + WITHIN
        ]
        best[name] = TIMES[column.index(min(column))]
        print(f"{name}: within {WITHIN:g} points of the least: times {near}")
    print("found: times " + ", ".join(f"{t:g} {name}" for name, t in best.items()))
    return best


if __name__ == "__main__":
    main()
