"""A wall clock that is set in the middle of a run moves no mark and no phase of it.

Before, a clock set forth made ten minutes of a step of it, and one set back had the
readings of one phase count in another.
"""

from dataclasses import replace

import pytest
from store.making import begin, reading

from benchlog.clock import VirtualClock
from benchlog.evaluation.response import observed
from benchlog.model import Condition, Event, EventKind
from benchlog.store.reader import Reader
from benchlog.store.writer import Writer
from benchlog.units import NS_PER_S

MARKED, STEPPED, N = 60, 90, 120


def rows_of(run, segment, by_s, *, supply):
    """Return rows as they are written where the wall clock is set by so much."""
    for at in range(N):
        one = reading(at, frequency_hz=8e6 + (40.0 if at > MARKED else 0.0) + at % 2)
        rows = [one]
        mono_ns = one.mono_ns + NS_PER_S // 2
        utc_ns = one.utc_ns + NS_PER_S // 2
        if at == MARKED and not supply:
            rows.append(Event(utc_ns, mono_ns, EventKind.MARK, "warming"))
        if supply:
            volts = 3.3 if at <= MARKED else 3.0
            rows.append(Condition(utc_ns, mono_ns, "supply", volts, "V", "meter"))
        if at in (0, STEPPED, N - 1):
            rows.append(Event(utc_ns, mono_ns, EventKind.NOTE, "here"))
        for row in rows:
            moved = by_s * NS_PER_S if at >= STEPPED else 0
            yield (run, segment, replace(row, utc_ns=row.utc_ns + moved))


def seen(path, by_s, *, supply):
    with Writer.open(path, VirtualClock()) as writer:
        run, segment = begin(writer)
        writer.commit(list(rows_of(run, segment, by_s, supply=supply)))
        writer.end_run(run, "stopped")
    with Reader.open(path) as reader:
        found, cuts, _ = observed(reader, reader.run(run))
    return found, [(round(cut.t_s, 3), cut.name) for cut in cuts]


@pytest.mark.parametrize("supply", [False, True])
@pytest.mark.parametrize("by_s", [600, -45, -3600])
def test_a_stepped_clock_moves_nothing(tmp_path, by_s, supply):
    even, cuts = seen(tmp_path / "even.db", 0, supply=supply)
    stepped, moved = seen(tmp_path / "stepped.db", by_s, supply=supply)
    assert cuts and moved == cuts
    assert stepped.t_s.tolist() == pytest.approx(even.t_s.tolist(), abs=1e-6)
    assert stepped.offset_ppm.tolist() == even.offset_ppm.tolist()
    assert stepped.t_s[-1] == pytest.approx(N - 1)
