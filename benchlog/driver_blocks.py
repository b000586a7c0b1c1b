"""The contract of drivers that hand over blocks; type and range of what they hand over.

A counter that streams measures gate after gate by itself and gives many readings at
once. Its driver is a `StreamingDriver`: what any driver is, with `read_block` besides.

Rules that the conformance suite checks, beside those of every driver
---------------------------------------------------------------------
* `read_block` begins the stream where none runs, and hands over what has come since the
  block before, in the order in which it was taken; one sample a reading, each with the
  time at which its gate ended. Times increase, and none is later than now.
* It blocks as `read` does. What is no block (a length that is none, octets that are
  missing, text, more than was asked for) is an error with the raw bytes, and nothing of
  it becomes a reading.
* A reading that the instrument gives no value for is NaN or infinite in its block.
* What the instrument lost is told: by `breaks` and `lost`.
* `end_stream` may be called at any time; `read` gives one value after it.

What is checked comes out as arrays of ours: no subclass of a stranger's, no view of his
memory that he could still write into.
"""

from abc import abstractmethod
from itertools import pairwise
from typing import TYPE_CHECKING, Final, TypeVar

from benchlog.driver import Driver
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
from benchlog.model import MOST_READINGS, SampleBlock

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    _Kind = TypeVar("_Kind", np.float64, np.int64)

BLOCK_UNIT: Final = "Hz"
"""What blocks are in: counters alone stream."""
LONGEST_VALUE: Final = 64
"""Characters of one value's own text; as `numbers` takes."""


class StreamingDriver(Driver):
    """A counter that hands over blocks of readings. See the module's rules."""

    @property
    def streams(self) -> bool:
        """Whether it does so as it is set up; known once it is open."""
        return True

    @abstractmethod
    def read_block(self) -> SampleBlock:
        """Return what has come since the block before; at least one reading.

        Raises InstrumentError, with the raw bytes where any came.
        """

    @abstractmethod
    def end_stream(self) -> None:
        """Let the instrument measure no longer by itself; what waits is dropped.

        Raises InstrumentError.
        """


def checked_block(handed: object, unit: str) -> SampleBlock:
    """Return what `read_block` handed over as a SampleBlock of plain types.

    `unit` is what the driver promised. Raises DriverFaultError.
    """
    if not isinstance(handed, SampleBlock):
        raise fault("read_block()", handed, "a SampleBlock")
    given = attributes(handed)
    if given["unit"] != unit or unit != BLOCK_UNIT or not isinstance(unit, str):
        raise fault(
            "SampleBlock.unit", given["unit"], f"{BLOCK_UNIT!r}, the driver's unit"
        )
    import numpy as np  # noqa: PLC0415 - only where blocks come

    values = _array("SampleBlock.values", given["values"], np.float64)
    times = _array("SampleBlock.mono_ns", given["mono_ns"], np.int64)
    if not 0 < len(values) == len(times):
        wanted = f"as many times as values, at least one ({len(times)} times)"
        raise fault("SampleBlock.values", len(values), wanted)
    step = given["step"]
    return SampleBlock(
        values=values,
        mono_ns=times,
        utc_ahead_ns=whole("SampleBlock.utc_ahead_ns", given["utc_ahead_ns"], -(2**63)),
        unit=unit,
        gate_s=real("SampleBlock.gate_s", given["gate_s"], 0.0, LONGEST_GATE_S),
        breaks=_breaks(given["breaks"], len(values)),
        lost=whole("SampleBlock.lost", given["lost"]),
        texts=_texts(given["texts"], len(values)),
        raw=octets("SampleBlock.raw", given["raw"]),
        step=None if step is None else checked_step("SampleBlock.step", step),
        flags=checked_flags("SampleBlock.flags", given["flags"]),
    )


def check_block_stamps(block: SampleBlock, opened_ns: int, now_ns: int) -> None:
    """Refuse times from before the instrument was opened, from later than now, or back.

    Raises DriverFaultError.
    """
    times = block.mono_ns
    check_moment("SampleBlock.mono_ns", int(times[0]), opened_ns, now_ns)
    check_moment("SampleBlock.mono_ns", int(times[-1]), opened_ns, now_ns)
    if len(times) > 1 and not bool((times[1:] > times[:-1]).all()):
        raise DriverFaultError(
            "SampleBlock.mono_ns",
            "a time that is not after the one before",
            "times in order",
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
        raise fault("SampleBlock.breaks", handed, wanted)
    found = tuple(whole("SampleBlock.breaks", one, 0, count - 1) for one in handed)
    if any(after <= before for before, after in pairwise(found)):
        raise fault("SampleBlock.breaks", handed, wanted)
    return found


def _texts(handed: object, count: int) -> tuple[str, ...]:
    if not isinstance(handed, tuple) or len(handed) not in (0, count):
        raise fault(
            "SampleBlock.texts", handed, "a tuple of texts, one a value, or empty"
        )
    return tuple(text("SampleBlock.texts", one, LONGEST_VALUE) for one in handed)
