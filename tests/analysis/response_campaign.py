"""Simulated runs cut in phases: false responses where nothing was done, and held rates.

Prints the tables of RESPONSES.md:

    PYTHONPATH=tests python tests/analysis/response_campaign.py 1000
"""

import sys
from dataclasses import dataclass

import numpy as np
from noise_makers import allan_variance, make
from seeds import seeded_generator

from benchlog.analysis.response import Cut, Observed, phases, responses

KINDS = (
    "white FM",
    "flicker FM",
    "random-walk FM",
    "white PM",
    "white PM + 1 random-walk FM",
    "white PM + 5 random-walk FM",
    "white PM + 20 random-walk FM",
    "white PM + 5 flicker FM",
    "white FM + 2 random-walk FM",
)
"""Ratios are of Allan variances at the length of a phase."""


@dataclass(frozen=True, slots=True)
class Course:
    """How a run goes: readings in each phase, how many, and what the rest does."""

    phases: int
    readings: int

    @property
    def n(self) -> int:
        return self.phases * self.readings


COURSES = (Course(2, 60), Course(2, 300), Course(4, 150), Course(6, 60))


def noise(kind: str, rng: np.random.Generator, runs: int, course: Course):
    """Return noise whose Allan deviation at the length of a phase is about 1."""
    names = kind.split(" + ")
    m, n = course.readings, course.n
    found = np.zeros((runs, n))
    for said in names:
        times, _, rest = said.partition(" ")
        ratio, name = (float(times), rest) if times.isdigit() else (1.0, said)
        sigma = np.sqrt(allan_variance(name, m, n))
        found += np.sqrt(ratio) * make(name, rng, runs, n) / sigma
    return found


def seen(ppm, course: Course, step_c: float = 0.0, step_v: float = 0.0) -> Observed:
    """Return what was observed: ambient and supply go up and down, phase by phase."""
    up = (np.arange(course.n) // course.readings) % 2
    return Observed(
        np.arange(course.n, dtype=float), ppm, 25.0 + step_c * up, 3.3 + step_v * up
    )


def cuts(course: Course) -> list[Cut]:
    return [
        Cut(float(k * course.readings), f"{'warm' if k % 2 else 'cool'} {k}")
        for k in range(1, course.phases)
    ]


def false_claims(kind: str, course: Course, runs: int, seed: int):
    """Return shares of runs, and of changes, that respond where nothing was done."""
    rng = seeded_generator(seed)
    any_of, claims = 0, 0
    for ppm in noise(kind, rng, runs, course):
        one = seen(ppm, course)
        signs = [r.sign for r in responses(one, phases(one, cuts(course)))]
        wrong = sum(sign != "none" for sign in signs)
        any_of += wrong > 0
        claims += wrong
    return any_of / runs, claims / runs / (course.phases - 1)


def main(runs: int) -> None:
    print("| noise | phases | readings each | runs with a false one | changes | ")
    print("| --- | --- | --- | --- | --- |")
    for seed, (kind, course) in enumerate((k, c) for k in KINDS for c in COURSES):
        run, change = false_claims(kind, course, runs, seed)
        print(
            f"| {kind} | {course.phases} | {course.readings} | {100 * run:.1f} % "
            f"| {100 * change:.1f} % |",
            flush=True,
        )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 100)
