"""Readings taken apart and put together; those from before a device had settled."""

from collections.abc import Sequence
from dataclasses import fields

import numpy as np
from numpy.typing import NDArray

from benchlog.model import Columns, Flag


def without_settling(columns: Columns, after_one: bool = False) -> tuple[Columns, int]:
    """Return what is left when those readings are taken out, and how many they were.

    `after_one`: the last reading before these was one.
    """
    out = (columns.flags & Flag.SETTLING) != 0
    return left_out(columns, out, after_one), int(np.count_nonzero(out))


def left_out(
    columns: Columns, out: NDArray[np.bool_], after_one: bool = False
) -> Columns:
    """Return the columns without the readings marked in `out`.

    `after_one`: the last reading before these was left out. What follows a reading that
    was left out does not follow on the one before it, and says so (GAP_BEFORE); the
    first of a turn never did.
    """
    if not len(out) or not (out.any() or after_one):
        return columns
    follows_one = np.concatenate(([after_one], out[:-1]))
    follows_one &= (columns.flags & int(Flag.TURN)) == 0
    flags = columns.flags | np.where(follows_one, int(Flag.GAP_BEFORE), 0)
    kept = {field.name: getattr(columns, field.name)[~out] for field in fields(Columns)}
    return Columns(**{**kept, "flags": flags[~out]})


def joined(several: Sequence[Columns]) -> Columns:
    """Return at least one batch of readings as one; a single one as it is."""
    if len(several) == 1:
        return several[0]
    names = [field.name for field in fields(Columns)]
    return Columns(
        *(np.concatenate([getattr(one, name) for one in several]) for name in names)
    )
