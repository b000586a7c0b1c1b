"""Type and range of the blocks that a driver hands over, as `driver_values` of samples.

The arrays that come out are of ours: no subclass of a stranger's, no view of his memory
that he could still write into.
"""

from itertools import pairwise
from typing import TYPE_CHECKING, Final, TypeVar

from benchlog.driver_values import (
    LONGEST_GATE_S,
    attributes,
    check_moment,
    checked_flags,
    checked_step,
    fault,
    octets,
    real,
    text,
    whole,
)
from benchlog.errors import DriverFaultError
from benchlog.model import MOST_READINGS, Block

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    _Kind = TypeVar("_Kind", np.float64, np.int64)

BLOCK_UNIT: Final = "Hz"
"""What blocks are in: counters alone stream."""
LONGEST_VALUE: Final = 64
"""Characters of one value's own text; as `numbers` takes."""


def checked_block(handed: object, unit: str) -> Block:
    """Return what `read_block` handed over as a Block of plain types.

    `unit` is what the driver promised. Raises DriverFaultError.
    """
    if not isinstance(handed, Block):
        raise fault("read_block()", handed, "a Block")
    given = attributes(handed)
    if given["unit"] != unit or unit != BLOCK_UNIT or not isinstance(unit, str):
        raise fault("Block.unit", given["unit"], f"{BLOCK_UNIT!r}, the driver's unit")
    import numpy as np  # noqa: PLC0415 - only where blocks come

    values = _array("Block.values", given["values"], np.float64)
    times = _array("Block.mono_ns", given["mono_ns"], np.int64)
    if not 0 < len(values) == len(times):
        wanted = f"as many times as values, at least one ({len(times)} times)"
        raise fault("Block.values", len(values), wanted)
    step = given["step"]
    return Block(
        values=values,
        mono_ns=times,
        utc_ahead_ns=whole("Block.utc_ahead_ns", given["utc_ahead_ns"], -(2**63)),
        unit=unit,
        gate_s=real("Block.gate_s", given["gate_s"], 0.0, LONGEST_GATE_S),
        breaks=_breaks(given["breaks"], len(values)),
        lost=whole("Block.lost", given["lost"]),
        texts=_texts(given["texts"], len(values)),
        raw=octets("Block.raw", given["raw"]),
        step=None if step is None else checked_step("Block.step", step),
        flags=checked_flags("Block.flags", given["flags"]),
    )


def check_block_stamps(block: Block, opened_ns: int, now_ns: int) -> None:
    """Refuse times from before the instrument was opened, from later than now, or back.

    Raises DriverFaultError.
    """
    times = block.mono_ns
    check_moment("Block.mono_ns", int(times[0]), opened_ns, now_ns)
    check_moment("Block.mono_ns", int(times[-1]), opened_ns, now_ns)
    if len(times) > 1 and not bool((times[1:] > times[:-1]).all()):
        raise DriverFaultError(
            "Block.mono_ns", "a time that is not after the one before", "times in order"
        )


def _array(field: str, handed: object, kind: "type[_Kind]") -> "NDArray[_Kind]":
    """Return a copy of an array of one dimension and a kind."""
    import numpy as np  # noqa: PLC0415 - only where blocks come

    wanted = f"an array of {kind.__name__}"
    if not isinstance(handed, np.ndarray) or handed.dtype != np.dtype(kind):
        raise fault(field, type(handed).__name__, wanted)
    if handed.ndim != 1 or len(handed) > MOST_READINGS:
        raise fault(field, handed.shape, f"{wanted}, {MOST_READINGS:,} at most")
    return np.array(handed, dtype=kind, order="C", subok=False)


def _breaks(handed: object, count: int) -> tuple[int, ...]:
    wanted = f"a tuple of whole numbers below {count:,}, in order"
    if not isinstance(handed, tuple) or len(handed) > count:
        raise fault("Block.breaks", handed, wanted)
    found = tuple(whole("Block.breaks", one, 0, count - 1) for one in handed)
    if any(after <= before for before, after in pairwise(found)):
        raise fault("Block.breaks", handed, wanted)
    return found


def _texts(handed: object, count: int) -> tuple[str, ...]:
    if not isinstance(handed, tuple) or len(handed) not in (0, count):
        raise fault("Block.texts", handed, "a tuple of texts, one a value, or empty")
    return tuple(text("Block.texts", one, LONGEST_VALUE) for one in handed)
