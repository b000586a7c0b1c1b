"""What a run says when its gate is too short for the limit it is held against."""

import numpy as np
import pytest
from columns_maker import columns
from seeds import seeded_generator

from benchlog.model import (
    Kind,
    Limits,
    Part,
    Sample,
    Timebase,
)
from benchlog.verdict.run.measuring_advice import (
    LIMITS_PPM,
    advise_seen,
    readings_wanted,
    seen_resolution,
)
from benchlog.verdict.run.reading_judge import RunJudge

FINE = Timebase(
    status="checked",
    offset_ppm=0.0,
    u_ppm=1e-4,
    valid_until_utc_ns=None,
    text="checked",
)


def reasons(limit_ppm, gate_s, resolution_hz):
    rng = seeded_generator(1)
    part = Part(
        id="p",
        title="16 MHz",
        kind=Kind.QUARTZ,
        nominal_hz=16e6,
        limits=Limits(tolerance_ppm=limit_ppm),
    )
    judge = RunJudge(part, timebase=FINE, resolution_hz=resolution_hz)
    hz = 16e6 + resolution_hz * np.round(3 * rng.standard_normal(40))
    judge.feed(columns(hz, gate_s=gate_s))
    return " ".join(judge.assessment().reasons)


@pytest.mark.parametrize(
    ("limit_ppm", "gate_s", "resolution_hz", "said"),
    [
        # 1 Hz of 16 MHz is 0.0625 ppm at 0.1 s, 0.00625 ppm at 1 s: a tenth of 0.3
        (0.3, 0.1, 1.0, "a gate of 0.1 s is short for +-0.3 ppm: 1 s reads it"),
        (0.3, 1.0, 1.0, "a gate of 1 s is short for +-0.3 ppm: 10 s reads it"),
        (1e-4, 0.1, 1.0, "this counter cannot read +-0.0001 ppm to a tenth"),
    ],
)
def test_a_gate_too_short_is_said_with_one_that_will_do(
    limit_ppm, gate_s, resolution_hz, said
):
    assert said in reasons(limit_ppm, gate_s, resolution_hz)


def test_a_gate_that_will_do_is_not_talked_of():
    assert "gate" not in reasons(30.0, 0.1, 1.0)


# --- what readings show of a counter that prints more digits than it measures


def samples(hz, gate_s=1.0, step=0.0001):
    return [
        Sample(
            value=round(value / step) * step,
            unit="Hz",
            utc_ns=number,
            mono_ns=number,
            raw=b"",
            gate_s=gate_s,
            step=step,
        )
        for number, value in enumerate(hz)
    ]


def advised(found):
    told = {one: advise_seen(one, found, 1e-6) for one in LIMITS_PPM}
    return {one: None if at is None else at.gate_s for one, at in told.items()}


def test_digits_of_the_text_that_scatter_advise_nothing_they_cannot_hold():
    """0.1 ms of 1 s is written, 0.02 ppm is seen: 0.1 ppm takes 0.01 ppm, 10 s and up.

    1 ppm takes 2 s <= 0.1 ppm of a reading: at 1 s it is 0.04, at 0.1 s ten times that.
    """
    rng = seeded_generator(3)
    found = seen_resolution(samples(16e6 * (1 + 2e-8 * rng.standard_normal(400))))
    assert found.scatter_ppm == pytest.approx(0.02, rel=0.1)
    assert advised(found) == {30.0: 0.1, 10.0: 0.1, 1.0: 1.0, 0.1: 100.0}


def test_readings_that_move_in_steps_have_the_digit_of_these_steps():
    """Counts of whole periods in 0.1 s, printed with four digits behind the point."""
    hz = [16e6 + 10.0 * (number % 2) for number in range(10)]
    found = seen_resolution(samples(hz, gate_s=0.1))
    assert found.digit_ppm == pytest.approx(10.0 / 16.0, rel=1e-3)
    assert "steps of 0.625 ppm" in found.text


def test_readings_all_alike_show_nothing_of_a_digit_that_is_finer_than_a_period():
    found = seen_resolution(samples([16e6] * 10))
    assert found.digit_ppm is None
    assert set(advised(found).values()) == {None}
    assert "do not show what this counter resolves" in found.text


def test_a_counter_of_periods_reads_alike_and_its_digit_is_one_period_in_a_gate():
    found = seen_resolution(samples([16e6] * 10, step=1.0))
    assert advised(found) == {30.0: 0.1, 10.0: 0.1, 1.0: 1.0, 0.1: 10.0}


@pytest.mark.parametrize(
    ("gate_s", "n"), [(0.01, 100), (0.1, 40), (1.0, 10), (5.0, 6), (100.0, 4)]
)
def test_how_many_readings_advice_takes(gate_s, n):
    assert readings_wanted(samples([16e6], gate_s)[0]) == n


def test_advice_from_too_few_readings_is_none():
    found = seen_resolution(samples([16e6, 16e6 + 1, 16e6]))
    assert set(advised(found).values()) == {None}
    assert "too few" in found.text
