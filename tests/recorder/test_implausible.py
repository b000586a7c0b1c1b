"""Readings that no device of the part can give are kept, flagged and told."""

from contextlib import closing
from dataclasses import replace

import numpy as np
import pytest

from benchlog.evaluation.run_evaluation import evaluate
from benchlog.model import Decision, EventKind, Flag
from benchlog.recorder.keeper import keep
from benchlog.store.reader import Reader

FAR = Flag.SUSPECT | Flag.FAR


@pytest.fixture
def kept(plan_for, database, clock):
    """Measure with a stranger's driver; return columns, events and the evaluation."""

    def measure(driver, readings, **options):
        plan = plan_for(driver, readings=readings)
        counter = plan.bench.instruments["counter"]
        counter = replace(counter, options={**counter.options, **options})
        bench = replace(plan.bench, instruments={"counter": counter})
        plan = replace(plan, bench=bench)
        (run_id,) = keep([plan], database, clock, tell=lambda _: None)
        with closing(Reader.open(database)) as reader:
            return (
                reader.columns_after(run_id),
                [event for _, event in reader.events(run_id)],
                evaluate(reader, run_id).assessment,
            )

    return measure


def test_answers_to_other_questions_and_flipped_bits_are_kept_and_flagged(kept):
    # the gate, a value in units of a thousandth, and the first digit with one bit off
    columns, events, found = kept(
        "stranger-astray", 80, values_hz="0.1 16e9 56000000", gate_s=0.005
    )
    far = (columns.flags & FAR) == FAR
    assert list(columns.frequency_hz[far]) == [0.1, 16e9, 56e6]
    assert len(columns) == 80
    told = [event for event in events if event.kind == EventKind.SUSPECT]
    assert [event.raw for event in told] == [b"0.1", b"16000000000.0", b"56000000.0"]
    assert all("16 MHz is expected" in event.text for event in told)
    assert found.stats.n_suspect == found.stats.n_far == 3
    assert any("3 of 80 readings are suspect" in reason for reason in found.reasons)
    assert found.outliers is not None and found.outliers.n == 3


def test_a_device_that_is_far_off_all_the_time_is_judged(kept):
    columns, events, found = kept("stranger-elsewhere", 20)
    assert np.all((columns.flags & FAR) == FAR)
    assert [event.kind for event in events].count(EventKind.SUSPECT) == 1
    assert found.word is Decision.FAIL
    assert found.outliers is None
