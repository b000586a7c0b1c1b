"""Columns as the store hands them over, from a few arrays."""

import numpy as np

from benchlog.model import Columns, Flag

GATE_NS = 1_000_000_000


def columns(frequency_hz, *, gate_s=1.0, ambient_c=25.0, flags=0, **given):
    """Return gapless readings one gate apart; `given` overrides any column."""
    f = np.asarray(frequency_hz, dtype=np.float64)
    n = len(f)
    count = np.arange(1, n + 1, dtype=np.int64)
    parts = {
        "id": count,
        "segment": np.ones(n, dtype=np.int64),
        "utc_ns": 1_900_000_000 * GATE_NS + count * int(gate_s * GATE_NS),
        "mono_ns": 500 * GATE_NS + count * int(gate_s * GATE_NS),
        "gate_s": np.full(n, float(gate_s)),
        "frequency_hz": f,
        "ambient_c": np.broadcast_to(np.asarray(ambient_c, dtype=float), n).copy(),
        "flags": np.broadcast_to(np.asarray(flags, dtype=np.int64), n).copy(),
    }
    return Columns(**{**parts, **given})


def part_of(whole, start, end):
    """Return readings start ... end of columns."""
    return Columns(*(getattr(whole, name)[start:end] for name in Columns.__slots__))


def without(whole, lost):
    """Leave readings out and flag those after a gap."""
    kept = np.ones(len(whole), dtype=bool)
    kept[list(lost)] = False
    flags = whole.flags.copy()
    flags[1:][~kept[:-1]] |= int(Flag.GAP_BEFORE)
    parts = {name: getattr(whole, name)[kept] for name in Columns.__slots__}
    return Columns(**{**parts, "flags": flags[kept]})
