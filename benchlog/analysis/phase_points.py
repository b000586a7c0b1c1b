"""Phase that came in with a file, on an equally spaced grid."""

from typing import Final

import numpy as np

from benchlog.analysis.series import Series
from benchlog.errors import DataError
from benchlog.model import Flag, Phases
from benchlog.units import NS_PER_S

# slots per point before a run counts as mostly missing; our rule, as in `series`
_SLOTS_MAX: Final = 4
_SPARE: Final = 1024  # slots that a short run may miss; our rule, as in `series`


def series_from_phases(found: Phases) -> Series:
    """Put phase points on a grid, each exactly as it is; what is missing is NaN.

    A gap leaves at least one slot empty: whether phase went on across it is not known.
    Raises DataError when there are fewer than two points, or most slots would be empty.
    """
    if len(found) < 2:
        raise DataError("phase needs at least two points")
    steps_ns = np.diff(found.mono_ns)
    gap = (found.flags[1:] & Flag.GAP_BEFORE) != 0
    usual_ns = float(np.median(steps_ns if gap.all() else steps_ns[~gap]))
    slots = np.maximum(np.where(gap, 2.0, 1.0), np.round(steps_ns / usual_ns))
    whole = np.ones_like(gap) if gap.all() else ~gap
    tau0_s = float(steps_ns[whole].sum() / slots[whole].sum()) / NS_PER_S
    size = 1.0 + float(slots.sum())
    if size > _SLOTS_MAX * len(found) + _SPARE:
        raise DataError(
            f"{len(found)} phase points in {size:.0f} places: too much is missing for "
            "a stability figure; pick a stretch without the long gaps"
        )
    values = np.full(int(size), np.nan)
    values[np.concatenate(([0], np.cumsum(slots.astype(np.int64))))] = found.phase_s
    return Series(values, tau0_s, "phase")
