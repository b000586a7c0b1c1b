"""Blocks of nothing but oddities: told in a few events, however many readings."""

import numpy as np
import pytest

from benchlog.model import Event, EventKind

from .test_block_run import GATE_NS, block_of, make_run  # noqa: F401 - a fixture

MOST = 20_000  # readings of one block; the bound of a dialect
EVENTS = 20
"""Of a block at most; one that doubles now and then was 4,003 before."""


def odd(values) -> np.ndarray:
    return np.resize(np.array(values, float), MOST)


@pytest.mark.parametrize(
    "values",
    [
        [np.nan, 1e308, -1.0, 16e6, 32e6],
        [16e6, 32e6],  # it counts an edge twice now and then
        [32e6, 8e6],
        [*[16e6] * 10, 1e308],
        [-1.0, np.nan],
    ],
)
def test_odd_readings_are_told_in_a_few_events(make_run, values) -> None:  # noqa: F811
    run = make_run()
    run.accept_block(block_of([16e6], [10**9]), 0.0)
    times = 10**9 + GATE_NS * np.arange(1, MOST + 1)
    found = run.accept_block(block_of(odd(values), times), 0.0)
    assert 0 < len(found) < EVENTS
    ended = run.last_refusals(ended=True)
    assert len(ended) < EVENTS
    if 32e6 in values:
        assert any(" times from " in event.text for event in ended)


def test_causes_that_alternate_from_block_to_block_are_counted(make_run) -> None:  # noqa: F811
    """A few events of each block before, of ten blocks in a second."""
    run = make_run()
    run.accept_block(block_of([16e6], [10**9]), 0.0)
    told, now_ns = [], 10**9
    for _ in range(200):
        times = now_ns + GATE_NS * np.arange(1, 21)
        times[::3] = 1  # long ago; others are no frequency
        now_ns = int(times[-1])
        found = run.accept_block(
            block_of(np.resize([16e6, np.nan, 16e6], 20), times), 0.0
        )
        told += [one for one in found if isinstance(one, Event)]
    told += run.last_refusals(ended=True)
    refused = [one for one in told if one.kind == EventKind.REJECTED]
    assert len(refused) < EVENTS
