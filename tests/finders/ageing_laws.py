"""Find by how much log evidence one law of ageing has to beat the other, from scratch.

Model: 120 values, one a day, that age by a straight line or by a logarithm with B T of
10 or 1,000, by 10 or 100 standard deviations of a white, flicker or random-walk FM
noise's own differences.
Criterion: at most 5 % of the runs of either law are called the other, worst cell; the
smallest margin that does it. Reconstructed: a log evidence of 3 is odds of 20 to 1,
which is called strong (R. E. Kass and A. E. Raftery, "Bayes factors", J. Am. Stat.
Assoc. 90 (1995) 773; from memory). Printed beside: the share whose law is named.
Grid: 0 to 8 by 0.5. 2 minutes.

    python tests/finders/ageing_laws.py [--runs N] [--seed S]
"""

import argparse
import sys
from itertools import product
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from noise_makers import allan_variance, make
from seeds import seeded_generator

from benchlog.analysis.fitting.ageing import ageing

DAYS = np.arange(1.0, 121.0)
NOISES = ("white FM", "flicker FM", "random-walk FM")
LAWS = {"linear": (0.0,), "logarithmic": (10.0, 1000.0)}
SIZES = (10.0, 100.0)
MARGINS = np.arange(0.0, 8.01, 0.5)
MOST = 0.05


def leads(law, noise, rng, runs):
    """Return the log evidence by which the right law leads, for each run."""
    scale = np.sqrt(allan_variance(noise, 1, len(DAYS)))
    found = []
    for bt, size in product(LAWS[law], SIZES):
        rate = bt / DAYS[-1]
        grown = np.log1p(rate * DAYS) if bt else DAYS
        grown = size * scale * (grown - grown[0]) / (grown[-1] - grown[0])
        for y in make(noise, rng, runs, len(DAYS)):
            fits = {one.law: one.log_evidence for one in ageing(DAYS, grown + y)}
            (other,) = set(fits) - {law}
            found.append(fits[law] - fits[other])
    return np.array(found).reshape(-1, runs)


def main(arguments=None):
    parser = argparse.ArgumentParser()
    parser.add_argument("--runs", type=int, default=100)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args(arguments)
    rng = seeded_generator(asked.seed)
    found = {
        (law, noise): leads(law, noise, rng, asked.runs)
        for law, noise in product(LAWS, NOISES)
    }
    print("called the other law in %, worst cell; named rightly in %, all cells")
    titles = [f"{law[:6]} {noise.split()[0][:7]}" for law, noise in found]
    print("  margin" + "".join(f"{one:>18}" for one in titles))
    best = None
    for margin in MARGINS:
        false = [np.mean(one <= -margin, axis=1).max() for one in found.values()]
        right = [np.mean(one > margin) for one in found.values()]
        print(
            f"{margin:8g}"
            + "".join(
                f"{100 * a:10.1f}{100 * b:8.1f}"
                for a, b in zip(false, right, strict=True)
            )
        )
        if best is None and max(false) <= MOST:
            best = margin
    print(f"found: margin {best:g}" if best is not None else "found: none")
    return best


if __name__ == "__main__":
    main()
