"""A wall clock that is set in the middle of a sequence changes nothing that is found.

Before, the readings of a turn were those between two times of the wall clock: one that
was set back brought readings of one temperature into the turns of another, and one that
was set forth by days had devices age less.
"""

import json
from dataclasses import replace
from functools import cache
from pathlib import Path

import pytest
import rack_scene
from rack_scene import write_rack
from tiers import seldom

from benchlog.evaluation.rack_study import qualification_of
from benchlog.model import Event, EventKind
from benchlog.store.reader import Reader
from benchlog.units import NS_PER_S

HOUR_NS = 3600 * NS_PER_S
DAY_NS = 24 * HOUR_NS
CASES = [
    ("temperature-five-points", -1_300 * NS_PER_S, "between turns"),
    ("temperature-five-points", -HOUR_NS, "in a turn"),
    ("temperature-five-points", -HOUR_NS, "an earlier version"),
    ("ageing", 30 * DAY_NS, "between turns"),
]


def stepped(rows, at_ns: int, by_ns: int, *, old: bool):
    """Yield rows as they come where the wall clock is set by `by_ns` at `at_ns`."""
    for even in rows:
        row = replace(even, utc_ns=even.utc_ns + (by_ns if even.utc_ns >= at_ns else 0))
        if isinstance(row, Event) and row.kind == EventKind.TURN:
            told = json.loads(row.raw)
            lasted_ns = told["end_utc_ns"] - told["begin_utc_ns"]
            for name in ("begin_utc_ns", "end_utc_ns"):
                told[name] += by_ns if told[name] >= at_ns else 0
            # the clock is set between two turns where nothing tells how long they took
            told["lasted_ns"] = None if old else lasted_ns
            yield replace(row, raw=json.dumps(told).encode())
        else:
            yield row


DEVICES = {"temperature-five-points": 3, "ageing": 1}
"""That take turns where readings could come into another's; a month of one is long."""


def found(path: Path, sequence: str) -> list[tuple[object, ...]]:
    run, *_ = write_rack(path, sequence, DEVICES[sequence])
    with Reader.open(path) as reader:
        rack = qualification_of(reader, run)
    return [
        (line.name, line.verdict, line.value, line.u)
        for device in rack.devices
        for line in device.found
    ]


@pytest.fixture(scope="module")
def even(tmp_path_factory):
    """Tell what is found of a sequence whose clock was not set, worked out once."""
    folder = tmp_path_factory.mktemp("even")
    return cache(lambda sequence: found(folder / f"{sequence}.db", sequence))


def middle_ns(sequence: str) -> tuple[int, int]:
    """Return a time between two turns, and one within a turn."""
    rows = rack_scene.rows_of(rack_scene.plan_of(sequence), 0, None)
    events = [row for row in rows if isinstance(row, Event)]
    turns = [json.loads(one.raw) for one in events if one.kind == EventKind.TURN]
    begin_ns = turns[len(turns) // 2]["begin_utc_ns"]
    return begin_ns - 1, begin_ns + NS_PER_S // 2


# a month of ageing: 30 times the turns of a sweep
@pytest.mark.parametrize("case", [*CASES[:-1], seldom(CASES[-1])])
def test_a_clock_that_is_set_changes_nothing_found(tmp_path, monkeypatch, even, case):
    sequence, by_ns, how = case
    expected = even(sequence)
    between_ns, within_ns = middle_ns(sequence)
    at_ns = within_ns if how == "in a turn" else between_ns
    rows = rack_scene.rows_of

    def odd(*args):
        old = how == "an earlier version"
        return stepped(rows(*args), at_ns, by_ns, old=old)

    monkeypatch.setattr(rack_scene, "rows_of", odd)
    told = found(tmp_path / "set.db", sequence)
    assert [one[:2] for one in told] == [one[:2] for one in expected]
    for one, other in zip(told, expected, strict=True):
        values = [
            [x if x is not None else -1.0 for x in row[2:]] for row in (one, other)
        ]
        # a turn's end is its event's time, which in the scene is a gate earlier
        assert values[0] == pytest.approx(values[1], rel=1e-3), one[0]
