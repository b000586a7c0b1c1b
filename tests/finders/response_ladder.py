"""Find how much slow noise weighs between two phases of a run, from scratch.

Model: the runs of tests/analysis/response_campaign.py, in which nothing was done.
Criterion: the share of runs with a false response is at most 5 % in every noise and
mixture, of all courses together; then the narrowest U in white FM (geometric mean, over
the ideal). Grid: weight of slower noise beside white PM 0.1 to 30; the weights of the
rungs of flicker and random walk times 1 and 2.
5 minutes at 60 runs.

    python tests/finders/response_ladder.py [--runs N] [--seed S]
"""

import argparse
import contextlib
import io
import sys
from itertools import product
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))
sys.path.insert(0, str(Path(__file__).parents[1] / "analysis"))

from response_campaign import COURSES, KINDS, cuts, noise, seen
from seeds import seeded_generator

from benchlog.analysis import separated_means
from benchlog.analysis.noise_mixture import Ladder
from benchlog.analysis.response import phases, responses

PHASES = (0.1, 1.0, 3.0, 10.0, 30.0)
TIMES = (1.0, 2.0)
RUNGS = (1.0, 0.125, 0.06, 0.135)
"""Those of the mean of one run, which are where the search begins."""
MOST = 0.05
IDEAL = np.sqrt(2 * 3)
"""u between the last thirds of two phases, over the Allan deviation of a phase."""


def drawn(runs, seed):
    """Return what was observed in each cell."""
    found = {}
    seeds = seeded_generator(seed).integers(1_000_000, size=len(KINDS) * len(COURSES))
    with contextlib.redirect_stdout(io.StringIO()):
        for at, (kind, course) in enumerate(product(KINDS, COURSES)):
            rng = seeded_generator(int(seeds[at]))
            ppm = noise(kind, rng, runs, course)
            found[kind, course] = [seen(one, course) for one in ppm]
    return found


def tried(data, ladder):
    """Return the worst share of false ones, where, and the width in white FM."""
    # private: the ladder of the code is what is sought
    separated_means._LADDER = ladder
    false, wide = dict.fromkeys(KINDS, 0.0), []
    for (kind, course), runs in data.items():
        for one in runs:
            answers = responses(one, phases(one, cuts(course)))
            said = any(answer.sign != "none" for answer in answers)
            false[kind] += said / len(runs) / len(COURSES)
            if kind == "white FM":
                wide += [answer.u_ppm / (1.96 * IDEAL) for answer in answers]
    where = max(false, key=false.get)
    worst = false[where]
    return worst, where, float(np.exp(np.log(wide).mean()))


def main(arguments=None):
    parser = argparse.ArgumentParser()
    parser.add_argument("--runs", type=int, default=60)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args(arguments)
    data = drawn(asked.runs, asked.seed)
    print("worst share of runs with a false response in %, width in white FM;")
    print("down: weight beside white PM, times the rungs of slower noise")
    passed = {}
    for phase, times in product(PHASES, TIMES):
        rungs = (1.0, *(round(times * one, 3) for one in RUNGS[1:]))
        worst, where, wide = tried(data, Ladder(phase_rung=phase, rungs=rungs))
        print(f"{phase:6g}{times:4g}{100 * worst:8.1f}{wide:8.2f}  {where}", flush=True)
        if worst <= MOST:
            passed[phase, times] = wide
    best = min(passed, key=passed.get) if passed else None
    print(f"found: phase {best[0]:g}, rungs x {best[1]:g}" if best else "found: none")
    return best


if __name__ == "__main__":
    main()
