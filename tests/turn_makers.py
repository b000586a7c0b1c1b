"""Runs of a counter that serves several devices in turns, from continuous noise."""

import numpy as np
from columns_maker import GATE_NS, part_of
from columns_maker import columns as gapless

from benchlog.model import Columns, Flag


def in_turns(values, gates, others):
    """Keep `gates` readings, leave out those of `others` more turns, and so on."""
    period = gates * (1 + others)
    at = np.arange(len(values))
    kept = at % period < gates
    whole = gapless(values)
    flags = np.where(at % period == 0, int(Flag.TURN), 0)
    parts = {name: getattr(whole, name)[kept] for name in Columns.__slots__}
    return Columns(**{**parts, "flags": flags[kept]})


def fed(target, columns, size=7):
    """Feed columns in chunks of `size`."""
    for start in range(0, len(columns), size):
        target.feed(part_of(columns, start, start + size))
    return target


__all__ = ["GATE_NS", "fed", "in_turns"]
