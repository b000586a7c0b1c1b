"""Find how much slow noise weighs between two phases of a run, from scratch.

Model: the runs of tests/analysis/response_campaign.py, in which nothing was done.
Criterion: the worst share of runs with a false response over noises, mixtures and
courses is at most 5 %, allowing for chance (one standard deviation); then the narrowest
U in white FM (geometric mean, over the ideal). Grid: weight of white PM beside slower
noise 0.1 to 10; the weights of the rungs of flicker and random walk times 1 to 5.
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

from noise_makers import allan_variance
from response_campaign import COURSES, KINDS, cuts, noise, seen
from seeds import seeded_generator

from benchlog.analysis import separated_means
from benchlog.analysis.noise_mixture import Ladder
from benchlog.analysis.response import phases, responses

PHASES = (0.1, 1.0, 3.0, 10.0)
TIMES = (1.0, 2.0, 3.0, 5.0)
RUNGS = (1.0, 0.125, 0.06, 0.135)
"""Those of the mean of one run, which are where the search begins."""
MOST = 0.05


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
    worst, where, wide = 0.0, "", []
    for (kind, course), runs in data.items():
        false = 0
        for one in runs:
            answers = responses(one, phases(one, cuts(course)))
            false += any(answer.sign != "none" for answer in answers)
            if kind == "white FM":
                ideal = np.sqrt(2 * 3 * allan_variance(kind, course.readings, course.n))
                ideal /= np.sqrt(allan_variance(kind, course.readings, course.n))
                wide += [answer.u_ppm / (1.96 * ideal) for answer in answers]
        if false / len(runs) > worst:
            worst, where = false / len(runs), f"{kind}, {course.phases} phases"
    return worst, where, float(np.exp(np.log(wide).mean()))


def main(arguments=None):
    parser = argparse.ArgumentParser()
    parser.add_argument("--runs", type=int, default=60)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args(arguments)
    data = drawn(asked.runs, asked.seed)
    least = MOST + np.sqrt(MOST * (1 - MOST) / asked.runs)
    print(f"worst share of runs with a false response (at most {100 * least:.1f} %),")
    print("width in white FM; of white PM, of slower rungs")
    passed = {}
    for phase, times in product(PHASES, TIMES):
        rungs = (1.0, *(round(times * one, 3) for one in RUNGS[1:]))
        worst, where, wide = tried(data, Ladder(phase_rung=phase, rungs=rungs))
        print(f"{phase:6g}{times:4g}{100 * worst:8.1f}{wide:8.2f}  {where}", flush=True)
        if worst <= least:
            passed[phase, times] = wide
    best = min(passed, key=passed.get) if passed else None
    print(f"found: phase {best[0]:g}, rungs x {best[1]:g}" if best else "found: none")
    return best


if __name__ == "__main__":
    main()
