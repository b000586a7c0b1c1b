"""The last digit in the budget: what the readings show, and not twice.

Every run has a true mean anywhere between two digits q, normal noise sigma and n
readings, rounded or cut. The figures of the whole table are in RESOLUTION.md; here a
thinned one. The table is printed by
`PYTHONPATH=tests python tests/verdict/test_resolution.py`.
"""

import math

import numpy as np
import pytest
from columns_maker import columns
from seeds import seeded_generator

from benchlog.model import Kind, Limits, Part
from benchlog.verdict.run.counter.resolution import (
    DigitCounts,
    SeenDigit,
    digit_line,
    digit_of,
    mean_error,
)
from benchlog.verdict.run.reading_judge import RunJudge

NOMINAL_HZ = 10e6
Q_HZ = 0.1
PART = Part(
    id="p",
    title="p",
    kind=Kind.OCXO,
    nominal_hz=NOMINAL_HZ,
    limits=Limits(tolerance_ppm=1.0),
)
RATIOS = (0.1, 0.3, 1.0, 2.0, 3.0, 5.0, 10.0)


def readings(rng, ratio, n, runs, *, cut):
    """Return true means in digits, shape (runs, 1), and readings, shape (runs, n)."""
    true = rng.uniform(0.0, 1.0, (runs, 1))
    exact = true + rng.normal(size=(runs, n)) / ratio
    return true, np.floor(exact) if cut else np.rint(exact)


def campaign(rng, ratio, n, runs, *, cut):
    """Return the share held and the median of U over what holds 95 % of the errors."""
    true, digits = readings(rng, ratio, n, runs, cut=cut)
    u, low = np.empty(runs), np.empty(runs)
    for at, row in enumerate(digits):
        counts = DigitCounts()
        counts.feed(row)
        seen = counts.seen(1.0, cut=cut)
        low[at] = seen.low_hz
        scatter2 = row.var(ddof=1) / n
        u[at] = math.hypot(seen.u_hz, math.sqrt(scatter2 * (1 + 2.5 / n)))
    error = np.abs(digits.mean(axis=1) + low - true[:, 0])
    held = float(np.mean(error <= 2.0 * u))
    return held, float(np.median(2.0 * u) / np.quantile(error, 0.95))


@pytest.mark.parametrize("cut", [False, True], ids=["rounded", "cut"])
@pytest.mark.parametrize("ratio", RATIOS)
def test_u_holds_and_is_not_much_wider_than_it_must_be(ratio, cut):
    held, width = campaign(seeded_generator(77), ratio, 100, 150, cut=cut)
    assert held >= 0.90  # 95 % less three standard deviations of 150
    # beyond 3 sigma nothing scatters: rectangular with k = 2 is 1.2 times its 95 %
    assert width < (1.5 if ratio <= 3 else 3.4)


def test_noise_of_the_digit_is_not_charged_again_and_its_absence_is():
    wide = {0.0: 40, 1.0: 30, -1.0: 30}
    assert mean_error(wide, 1.0) < 0.01
    # GUM F.2.2.1: all alike, anywhere within the digit
    assert mean_error({5.0: 100}, 1.0) == pytest.approx(12**-0.5)
    assert mean_error({5.0: 100, 1e6: 1}, 1.0) == pytest.approx(12**-0.5)  # an outlier
    even = mean_error({0.0: 50, 1.0: 50}, 1.0)
    assert even < 0.1  # as often above an edge as below: the mean is near that edge


def test_the_digit_is_the_step_and_not_the_text():
    rng = seeded_generator(5)
    coarse = np.rint(rng.normal(0, 2, 40)) * 0.1 + 1e7
    assert digit_of(coarse, 40, 1e-3) == pytest.approx(0.1)
    fine = np.rint(rng.normal(0, 300, 40)) * 1e-3 + 1e7
    assert digit_of(fine, 40, 1e-3) == pytest.approx(1e-3)
    assert digit_of([1e7, 1e7 + 0.007], 2, 1e-3) == 1e-3  # two readings show no grid
    assert digit_of([1e7, 1e7 + 0.5], 20, 1e-3) == 0.5  # twenty of two values do
    assert digit_of([15999884.25, 15999884.5], 2, None) == 0.01
    assert digit_of([], 0, None) is None


COARSE = 100


def fewer_digits_midway(rng, ratio, n=300, fine=30):
    """Return the true mean and what is shown, in fine digits; `ratio` is q/sigma."""
    true = rng.uniform(0, COARSE)
    exact = true + rng.normal(0, COARSE / ratio, n)
    coarse = np.rint(exact / COARSE) * COARSE
    return true, np.concatenate((np.rint(exact[:fine]), coarse[fine:]))


@pytest.mark.parametrize("ratio", [3.0, 4.0])
def test_fewer_digits_midway_count_for_the_part_that_has_them(ratio):
    """Before, the finer part alone told the digit, and U held 84 and 35 % of them.

    Where that part is a single value, nothing shows its digit; so many of it in a row
    are said to be more than chance allows, and nothing is judged.
    """
    rng, runs, held, seen = seeded_generator(21), 300, 0, SeenDigit(None)
    for _ in range(runs):
        true, shown = fewer_digits_midway(rng, ratio)
        counts = DigitCounts()
        counts.feed(shown)
        seen = counts.seen(1.0)
        u = math.hypot(seen.u_hz, shown.std(ddof=1) / math.sqrt(len(shown)))
        held += abs(shown.mean() - true) <= 2.0 * u
    print("held", held / runs)
    assert held / runs >= 0.92


def test_a_part_with_fewer_digits_is_named():
    counts = DigitCounts()
    counts.feed(fewer_digits_midway(seeded_generator(3), 3.0)[1])
    text = digit_line(counts.seen(1.0), NOMINAL_HZ, 1.0).text
    assert "last digit 100 Hz at the counter in 9" in text
    assert "of the readings, finer in the rest" in text


@pytest.mark.parametrize("scatter", [2.0, 10.0, 30.0, 100.0])
def test_noise_of_many_digits_shows_no_coarser_part(scatter):
    rng = seeded_generator(22)
    for _ in range(200):
        counts = DigitCounts()
        counts.feed(np.rint(rng.normal(0.3, scatter, 300)))
        assert counts.seen(1.0).share == 1.0


def judged(hz, *, cut=False, text_hz=Q_HZ, limit=PART):
    judge = RunJudge(limit, resolution_hz=text_hz, cut=cut)
    judge.feed(columns(np.asarray(hz)))
    return judge.assessment()


def line_of(found):
    return next(line for line in found.budget.lines if line.name == "resolution")


def test_a_counter_that_cuts_is_corrected_by_half_a_digit_and_says_so():
    rng = seeded_generator(9)
    exact = NOMINAL_HZ + 0.037 + rng.normal(0, 0.1, 300)
    cut = np.floor(exact / Q_HZ) * Q_HZ
    rounded = np.rint(exact / Q_HZ) * Q_HZ
    truth_ppm = 0.037 / NOMINAL_HZ * 1e6
    half_ppm = Q_HZ / 2 / NOMINAL_HZ * 1e6
    off = [
        judged(cut).offset_ppm,
        judged(cut, cut=True).offset_ppm,
        judged(rounded).offset_ppm,
    ]
    assert off[0] - truth_ppm == pytest.approx(-half_ppm, abs=0.4 * half_ppm)
    assert off[1] - truth_ppm == pytest.approx(0.0, abs=0.4 * half_ppm)
    assert off[2] - truth_ppm == pytest.approx(0.0, abs=0.4 * half_ppm)
    assert "cut off: 0.00500 ppm added" in line_of(judged(cut, cut=True)).text
    assert line_of(judged(rounded)).u_ppm < 0.05 * half_ppm
    assert "averaged by the scatter" in line_of(judged(rounded)).text


def test_a_gate_is_short_by_what_the_readings_show():
    rng = seeded_generator(3)
    steps = np.rint(rng.normal(0, 1, 60)) * 2.0 + NOMINAL_HZ  # in steps of 0.2 ppm
    found = judged(steps, text_hz=1e-3)
    assert found.digit_ppm == pytest.approx(0.2)
    assert any("a gate of" in reason for reason in found.reasons)
    fine = np.rint(rng.normal(0, 1e3, 60)) * 1e-3 + NOMINAL_HZ
    assert not any("a gate of" in one for one in judged(fine, text_hz=1e-3).reasons)


def test_an_unknown_digit_counts_nothing():
    line = digit_line(SeenDigit(None), NOMINAL_HZ, 1.0)
    assert (line.u_ppm, line.text) == (0.0, "resolution not known: nothing counted")


if __name__ == "__main__":
    print("| q/sigma | n | rounded held | width | cut held | width |")
    print("| ---: | ---: | ---: | ---: | ---: | ---: |")
    for n_readings in (10, 30, 100, 300, 1000):
        for one in RATIOS:
            cells = [f"{one:g}", str(n_readings)]
            for is_cut in (False, True):
                share, wide = campaign(
                    seeded_generator(1), one, n_readings, 1000, cut=is_cut
                )
                cells += [f"{share:.1%}", f"{wide:.2f}"]
            print("| " + " | ".join(cells) + " |", flush=True)
