"""A block of readings as bytes in a message, and back: octets of numbers, no objects.

Behind the mark stand the length of a head (four bytes, the highest first), the head as
a JSON list, then the values and the times as eight octets each, the least first.
"""

import json
import struct
from typing import Any, Final

from benchlog.driver_blocks import checked_block
from benchlog.driver_values import LONGEST_UNIT, real, text
from benchlog.errors import DriverFaultError
from benchlog.model import MOST_READINGS, SampleBlock
from benchlog.recorder.instruments.instrument_messages import LONGEST_STALL_S, GotBlock

MARK: Final = b"B"
"""The first octet of such a message; a JSON list begins with another."""
_HEAD: Final = struct.Struct("!I")
_OCTETS: Final = 8  # definition: of a double, and of a time


class ForeignBlockError(ValueError):
    """Octets that are no block; the text says why."""


def block_body(message: GotBlock) -> bytes:
    """Return a message with a block as octets; the block must have been checked."""
    block = message.block
    head = json.dumps(
        [
            len(block),
            block.utc_ahead_ns,
            block.unit,
            block.gate_s,
            block.breaks,
            block.lost,
            block.texts,
            block.raw.hex(),
            block.step,
            int(block.flags),
            message.stalled_s,
        ],
        separators=(",", ":"),
    ).encode()
    parts = (MARK, _HEAD.pack(len(head)), head)
    values, times = block.values.astype("<f8"), block.mono_ns.astype("<i8")
    return b"".join((*parts, values.tobytes(), times.tobytes()))


def block_from(body: bytes) -> GotBlock:
    """Return the message of `block_body`. Raises ForeignBlockError, nothing else."""
    try:
        return _message(body)
    except (
        ValueError,
        TypeError,
        struct.error,
        DriverFaultError,
        RecursionError,
    ) as error:
        raise ForeignBlockError(f"{type(error).__name__}: {error}"[:200]) from None


def _message(body: bytes) -> GotBlock:
    import numpy as np  # noqa: PLC0415 - only where blocks come

    (length,) = _HEAD.unpack_from(body, len(MARK))
    begin = len(MARK) + _HEAD.size
    plain: Any = json.loads(body[begin : begin + length])
    count, ahead, unit, gate_s, breaks, lost, texts, raw, step, flags, stalled = plain
    whole = isinstance(count, int) and 0 < count <= MOST_READINGS
    if not whole or len(body) != begin + length + 2 * _OCTETS * count:
        raise ForeignBlockError(f"{count!r:.20} readings in {len(body):,} octets")
    at = begin + length
    given = SampleBlock(
        values=np.frombuffer(body, "<f8", count, at).astype(np.float64),
        mono_ns=np.frombuffer(body, "<i8", count, at + _OCTETS * count).astype(
            np.int64
        ),
        utc_ahead_ns=ahead,
        unit=unit,
        gate_s=gate_s,
        breaks=tuple(breaks),
        lost=lost,
        texts=tuple(texts),
        raw=bytes.fromhex(raw),
        step=step,
        flags=flags,
    )
    block = checked_block(given, text("unit", unit, LONGEST_UNIT))
    if not bool((np.diff(block.mono_ns) > 0).all()):
        raise ForeignBlockError("times that do not increase")
    return GotBlock(block, real("stalled_s", stalled, 0.0, LONGEST_STALL_S))
