"""Find from how many readings on the likeliest noise of a run is named, from scratch.

Model: white PM, white FM, flicker FM and random-walk FM, 6 to 512 readings; named is
the strongest term of the mixture at the length of the run.
Criterion, the finder's own, that of noise_names.py: the fewest readings from which on
at least 95 % are named rightly or as a neighbour, worst noise. The share named rightly
is printed beside.
Grid: numbers of readings about half an octave apart. 1 minute.

    python tests/finders/mixture_names.py [--runs N] [--seed S]
"""

import argparse
import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))
sys.path.insert(0, str(Path(__file__).parent))

from noise_makers import KINDS, make
from noise_names import NEAR_SHARE, least_from
from seeds import seeded_generator

from benchlog.analysis.uncertainty import TERM_NAMES, uncertainty_of_even

READINGS = (6, 8, 12, 15, 20, 30, 45, 64, 90, 128, 256, 512)


def main(arguments=None):
    parser = argparse.ArgumentParser()
    parser.add_argument("--runs", type=int, default=400)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args(arguments)
    rng = seeded_generator(asked.seed)
    print("named rightly, and rightly or as a neighbour, in %")
    print("readings" + "".join(f"{kind:>16}" for kind in KINDS))
    nearly = {}
    for n in READINGS:
        line, worst = f"{n:8d}", 1.0
        for kind in KINDS:
            found = [
                int(np.argmax(uncertainty_of_even(y).terms))
                for y in make(kind, rng, asked.runs, n)
            ]
            apart = np.abs(np.array(found) - TERM_NAMES.index(kind))
            worst = min(worst, float(np.mean(apart <= 1)))
            line += f"{100 * np.mean(apart == 0):9.1f}{100 * np.mean(apart <= 1):7.1f}"
        nearly[n] = worst >= NEAR_SHARE
        print(line)
    best = least_from(nearly)
    print(f"found: few {best}")
    return best


if __name__ == "__main__":
    main()
