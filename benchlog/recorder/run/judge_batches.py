"""Committed records as the arrays that a judge takes, and what it finds, told once."""

from collections.abc import Sequence

import numpy as np

from benchlog.model import (
    Columns,
    Condition,
    Edge,
    Flag,
    Pulses,
    Reading,
)
from benchlog.store.reading_block import ReadingBlock
from benchlog.verdict.run.assessment import Assessment

Record = Reading | Edge | Condition | ReadingBlock


def columns_of(readings: Sequence[Reading], segment_id: int) -> Columns:
    """Return readings as columns; ids are zero: the database alone knows them."""
    n = len(readings)
    nan = float("nan")
    return Columns(
        id=np.zeros(n, np.int64),
        segment=np.full(n, segment_id, np.int64),
        utc_ns=np.array([-1 if r.utc_ns is None else r.utc_ns for r in readings]),
        mono_ns=np.array([r.mono_ns for r in readings], np.int64),
        gate_s=np.array([r.gate_s for r in readings], float),
        frequency_hz=np.array([r.frequency_hz for r in readings], float),
        ambient_c=np.array(
            [nan if r.ambient_c is None else r.ambient_c for r in readings], float
        ),
        flags=np.array([int(r.flags) for r in readings], np.int64),
    )


def pulses_of(records: Sequence[Record], segment_id: int) -> Pulses:
    """Return pulses, and ambient values logged with them; ids are zero."""
    edges = [one for one in records if isinstance(one, Edge)]
    ambient = [
        one
        for one in records
        if isinstance(one, Condition) and one.quantity == "ambient"
    ]
    n = len(edges)
    return Pulses(
        id=np.zeros(n, np.int64),
        segment=np.full(n, segment_id, np.int64),
        instrument=np.array([edge.instrument for edge in edges], dtype=np.str_),
        utc_ns=np.array(
            [-1 if e.utc_ns is None else e.utc_ns for e in edges], np.int64
        ),
        mono_ns=np.array([edge.mono_ns for edge in edges], np.int64),
        sequence=np.array([edge.sequence for edge in edges], np.int64),
        flags=np.array([int(edge.flags) for edge in edges], np.int64),
        ambient_c=tuple(one.value for one in ambient),
        typed=any(one.flags & Flag.AMBIENT_TYPED for one in ambient),
    )


class JudgeNews:
    """What a judge finds of the counter or of the host, each once in a run."""

    def __init__(self) -> None:
        self._told_repeats = self._told_load = False

    def of(self, assessment: Assessment) -> list[str]:
        """Return what is new: the counter is not believed, late stamps change."""
        said = []
        if not self._told_repeats and assessment.doubt_of_counter:
            self._told_repeats = True
            said.append(assessment.doubt)
        timing = assessment.timing
        if not self._told_load and timing is not None and timing.load_change:
            self._told_load = True
            said.append(timing.load_change)
        return said
