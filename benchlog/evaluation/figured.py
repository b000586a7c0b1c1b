"""What is stored of a run, looked at before figures are made of it.

Every row is kept as it came, also one that a stranger's export or database has and no
instrument gives. Squares and quotients of such a number have no bounds: it would end a
command in the middle of a formula, or make a figure that means nothing. So no figures
are made of a run that holds one, and what it holds is told.
"""

from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from benchlog.errors import NoFiguresError
from benchlog.model import Columns, Condition, Frequencies, Phases, Pulses
from benchlog.store.reader import Reader
from benchlog.store.rows import Outline
from benchlog.store.snapshot_types import LARGEST, LEAST_POSITIVE

_LONGEST_S: Final = LARGEST / 1e9  # derived: in ns it is LARGEST
Array = NDArray[np.float64]


def figured(run_id: int, columns: Columns) -> Columns:
    """Return readings as they are. Raises NoFiguresError of an absurd one."""
    _hold_readings(run_id, columns.id, columns.frequency_hz, "Hz")
    gate_s = columns.gate_s  # 0 where the notion is empty
    if len(gate_s) and not _within(gate_s, LEAST_POSITIVE, _LONGEST_S):
        there = gate_s != 0.0
        ids, gates = columns.id[there], gate_s[there]
        _hold_readings(run_id, ids, gates, "s of gate", _LONGEST_S)
    ambient_c = columns.ambient_c
    beyond = np.abs(ambient_c) > LARGEST  # false where it is not known
    if beyond.any():
        at = int(np.argmax(beyond))
        raise NoFiguresError(
            run_id,
            f"reading {columns.id[at]} has an ambient of {float(ambient_c[at])!r} C",
        )
    return columns


def figured_frequencies(reader: Reader, run_id: int) -> Frequencies:
    """Return the frequencies of a run; its gates are known where they change.

    Raises NoFiguresError as `figured` does, which looks for the reading.
    """
    found = reader.frequencies(run_id)
    gates = np.array([found.gate_s] if found.gate_s else [], np.float64)
    sound = _within(found.frequency_hz, LEAST_POSITIVE, LARGEST)
    if not (sound and _within(gates, LEAST_POSITIVE, _LONGEST_S)):
        for columns in reader.chunks(run_id):
            figured(run_id, columns)
    return found


def figured_outline(run_id: int, outline: Outline) -> Outline:
    """Return an outline as it is. Raises NoFiguresError of an absurd frequency."""
    _hold_readings(run_id, outline.first_id, outline.min_hz, "Hz or less")
    _hold_readings(run_id, outline.first_id, outline.max_hz, "Hz, or one behind it,")
    return outline


def figured_pulses(run_id: int, pulses: Pulses) -> Pulses:
    """Return pulses as they are. Raises NoFiguresError of an absurd ambient value."""
    for value in pulses.ambient_c:
        _hold(run_id, "an ambient", value, "C")
    return pulses


def figured_phases(run_id: int, phases: Phases) -> Phases:
    """Return imported phase as it is. Raises NoFiguresError of an absurd value."""
    if len(phases) and not _within(phases.phase_s, -_LONGEST_S, _LONGEST_S):
        at = int(np.argmax(np.abs(phases.phase_s)))
        value = float(phases.phase_s[at])
        raise NoFiguresError(run_id, f"phase value {at + 1} is {value!r} s")
    return phases


def figured_conditions(
    run_id: int, conditions: Sequence[Condition]
) -> Sequence[Condition]:
    """Return conditions as they are. Raises NoFiguresError of an absurd value."""
    for one in conditions:
        _hold(run_id, f"a value of {one.quantity}", one.value, one.unit)
    return conditions


def _hold_readings(
    run_id: int,
    ids: NDArray[np.int64],
    values: Array,
    unit: str,
    most: float = LARGEST,
) -> None:
    if _within(values, LEAST_POSITIVE, most):
        return
    at = int(np.argmin((values >= LEAST_POSITIVE) & (values <= most)))
    raise NoFiguresError(run_id, f"reading {ids[at]} is {float(values[at])!r} {unit}")


def _hold(run_id: int, what: str, value: float, unit: str) -> None:
    if not abs(value) <= LARGEST:
        raise NoFiguresError(run_id, f"{what} is {value!r} {unit}")


def _within(values: Array, least: float, most: float) -> bool:
    """Whether all lie between; none of NaN does."""
    return not len(values) or bool(least <= values.min() and values.max() <= most)
