"""Compared trains as other figures take them: phase, and offsets over stretches."""

from typing import Final

import numpy as np
from numpy.typing import NDArray

from benchlog.analysis.pulses.lateness import WINDOW
from benchlog.analysis.pulses.trains import TrainComparison
from benchlog.analysis.series import Series
from benchlog.errors import DataError
from benchlog.model import Columns, Flag
from benchlog.units import NS_PER_S

Array = NDArray[np.float64]
Whole = NDArray[np.int64]

_SLOTS_MAX: Final = 4  # our rule: bounds memory where most pulses are missing
_STRETCH: Final = 10  # our rule: stamps in the shortest stretch of a chart


def phase_series(found: TrainComparison) -> Series:
    """Return what was compared as phase data; places without a stamp are missing.

    Stamps that were set aside are left out, and so is everything but the longest
    group. Raises DataError when more is missing than is there.
    """
    longest = np.bincount(found.group - found.group.min()).argmax()
    kept = found.fit.used & (found.group - found.group.min() == longest)
    t_s = found.t_s[kept]
    slot = np.round((t_s - t_s[0]) / found.spacing_s).astype(np.int64)
    if slot[-1] > _SLOTS_MAX * len(slot) + 1024:
        raise DataError("too many pulses are missing for a stability figure")
    values = np.full(int(slot[-1]) + 1, np.nan)
    values[slot] = found.error_s[kept]
    return Series(values, found.spacing_s, "phase")


def stretches(found: TrainComparison, most: int = 100) -> tuple[Array, Array, Whole]:
    """Return offsets over stretches of a run, for a chart.

    Returns the ends of the stretches in s (as `t_s`), the fractional offset over each,
    and its group; at most about `most`, each of at least ten stamps. A stretch's offset
    is the difference of the mean time errors of two neighbouring ones, or of what their
    earliest stamps tell, where the offset comes from these.
    """
    kept, early = found.line.used, found.earliest
    if early is None:
        t_s, error_s, group, least = found.t_s, found.error_s, found.group, _STRETCH
    else:
        t_s, group, least = early.t_s, early.group, _STRETCH // WINDOW
        error_s = early.error_s + (found.offset - early.fit.slope) * t_s
    t_s, error_s, group = t_s[kept], error_s[kept], group[kept]
    size = max(least, len(t_s) // most)
    ends: list[float] = []
    offsets: list[float] = []
    groups: list[int] = []
    for which in np.unique(group):
        here = np.flatnonzero(group == which)
        count = len(here) // size
        cut = here[: count * size].reshape(count, size)
        t, x = t_s[cut].mean(axis=1), error_s[cut].mean(axis=1)
        offsets += (np.diff(x) / np.diff(t)).tolist()
        ends += t[1:].tolist()
        groups += [int(which)] * max(0, count - 1)
    return np.array(ends), np.array(offsets), np.array(groups, dtype=np.int64)


def readings_like(t_s: Array, frequency_hz: Array, group: Whole) -> Columns:
    """Return frequencies at times (s) as readings; between groups there is a gap."""
    n = len(t_s)
    turned = np.zeros(n, dtype=np.int64)
    if n:
        turned[1:][np.diff(group) != 0] = int(Flag.GAP_BEFORE)
    mono_ns = np.round(t_s * NS_PER_S).astype(np.int64)
    gate_s = float(np.median(np.diff(t_s))) if n > 1 else 0.0
    return Columns(
        id=np.arange(1, n + 1),
        segment=np.ones(n, np.int64),
        utc_ns=mono_ns,
        mono_ns=mono_ns,
        gate_s=np.full(n, gate_s),
        frequency_hz=frequency_hz,
        ambient_c=np.full(n, np.nan),
        flags=turned,
    )
