"""Find how many scatters an early look wants the offset clear, from scratch.

Model: tests/verdict/campaign.py, devices exactly at their limit, and within 10 scatters
of it, in flicker FM; the readings go through the judge, 10 to 300 of them.
Criterion: false accepts and false rejects at the limit at most 2.5 % each; the smallest
number of scatters that does it. The code gives the reason, flicker near the limit; the
criterion is reconstructed: the campaign states no rate for flicker. The share of false
words that a fixed number of 300 readings has is printed beside, and mean readings.
Grid: 0 to 8 by 0.5. 2 minutes.

    python tests/finders/early_scatters.py [--runs N] [--seed S]
"""

import argparse
import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))
sys.path.insert(0, str(Path(__file__).parents[1] / "verdict"))

from campaign import LIMIT_PPM, PART, RULE, columns, flicker_fm
from seeds import seeded_generator

from benchlog.model import Decision, Timebase
from benchlog.verdict.run.early_stop import ERROR_RATE, early_word
from benchlog.verdict.run.reading_judge import RunJudge

SCATTERS = np.arange(0.0, 8.01, 0.5).tolist()
NEAR_PPM = 10.0


def ends(ppm):
    """Return word and number of readings for each number of scatters, and the last."""
    judge = RunJudge(PART, timebase=Timebase(status="stated", offset_ppm=0.0, u_ppm=0))
    found, done = {}, 0
    for look in RULE.looks:
        judge.feed(columns(ppm[done:look], done))
        done, seen = look, judge.assessment()
        for scatters in SCATTERS:
            if scatters in found:
                continue
            if look == RULE.looks[-1]:
                found[scatters] = seen.word, look
                continue
            word = early_word(seen, RULE.early_rate, scatters=scatters)
            if word is not Decision.UNDECIDED:
                found[scatters] = word, look
    return found, seen.word


def share(words, word):
    return 100 * float(np.mean([one is word for one in words]))


def main(arguments=None):
    parser = argparse.ArgumentParser()
    parser.add_argument("--runs", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args(arguments)
    rng, most = seeded_generator(asked.seed), RULE.max_readings
    at_limit = [ends(LIMIT_PPM + flicker_fm(rng, most)) for _ in range(asked.runs)]
    near = [
        ends(LIMIT_PPM + rng.uniform(-NEAR_PPM, NEAR_PPM) + flicker_fm(rng, most))
        for _ in range(max(1, asked.runs // 4))
    ]
    fixed = [last for _, last in at_limit]
    print("at the limit: false accepts, false rejects in %; near it: mean readings")
    print(" scatters  accepts  rejects  readings")
    found = None
    for scatters in SCATTERS:
        words = [one[scatters][0] for one, _ in at_limit]
        rates = share(words, Decision.PASS), share(words, Decision.FAIL)
        readings = np.mean([one[scatters][1] for one, _ in near])
        print(f"{scatters:9g}{rates[0]:9.2f}{rates[1]:9.2f}{readings:10.0f}")
        if found is None and max(rates) <= 100 * ERROR_RATE:
            found = scatters
    rates = share(fixed, Decision.PASS), share(fixed, Decision.FAIL)
    print(f"300 readings: {rates[0]:.2f} and {rates[1]:.2f} %")
    print(f"found: scatters {found:g}" if found is not None else "found: none")
    return found


if __name__ == "__main__":
    main()
