"""Messages of an instrument process as bytes, and back: nothing in them can act.

A frame is its length (four bytes, the highest first) and a JSON list in UTF-8, whose
first item names the message. What comes back is checked field by field, because a
driver can write into the pipe by itself: bytes that are no message of ours are a
`ForeignBytesError`, whatever they are.
"""

import base64
import binascii
import json
import struct
from dataclasses import fields
from typing import Any, Final

from benchlog.driver_values import (
    LONGEST_UNIT,
    checked_identity,
    checked_sample,
    octets,
    real,
    text,
    whole,
)
from benchlog.errors import DriverFaultError
from benchlog.model import Identity, Sample
from benchlog.recorder.instruments.block_frames import MARK, block_body, block_from
from benchlog.recorder.instruments.instrument_messages import (
    LONGEST_FAILED_RAW,
    LONGEST_STALL_S,
    AboutToOpen,
    Failed,
    Got,
    GotBlock,
    Message,
    Opened,
    Said,
)

MOST_BYTES: Final = 1 << 20  # our rule: identities are hundreds, readings 150
"""Bytes that one message may have."""
HEAD: Final = struct.Struct("!I")


class ForeignBytesError(ValueError):
    """Bytes from an instrument process that are no message; the text says why."""


def to_frame(message: Message) -> bytes:
    """Return a message with its length before it. Raises DriverFaultError if too long.

    The fields must have been checked: texts that UTF-8 can hold, plain numbers.
    """
    if isinstance(message, GotBlock):
        body = block_body(message)
    else:
        body = json.dumps(
            _plain(message), ensure_ascii=False, separators=(",", ":")
        ).encode()
    if len(body) > MOST_BYTES:
        kind = type(message).__name__
        raise DriverFaultError(kind, f"{len(body):,} bytes", f"{MOST_BYTES:,} at most")
    return HEAD.pack(len(body)) + body


def from_body(body: bytes) -> Message:
    """Return the message that a frame holds. Raises ForeignBytesError, nothing else."""
    try:
        if body.startswith(MARK):
            return block_from(body)
        return _message(json.loads(body))
    except (ValueError, DriverFaultError, RecursionError) as error:
        raise ForeignBytesError(f"{type(error).__name__}: {error}"[:200]) from None


def _plain(message: AboutToOpen | Opened | Got | Said | Failed) -> list[Any]:
    match message:
        case Got(sample, stalled_s):
            return ["got", *_sample_items(sample), stalled_s]
        case Failed():
            raw = base64.b64encode(message.raw).decode("ascii")
            words = (message.kind, message.message, message.address, message.command)
            return ["failed", *words, raw, message.opened]
        case Opened():
            units = (message.quantity, message.unit)
            limits = (message.read_limit_s, message.period_s)
            return ["opened", _identity_items(message.identity), *units, *limits]
        case Said():
            return ["said", message.text]
        case AboutToOpen():
            return ["about-to-open", message.attempt]


def _sample_items(sample: Sample) -> tuple[Any, ...]:
    raw = base64.b64encode(sample.raw).decode("ascii")
    times = (sample.mono_ns, sample.utc_ns, sample.gate_s)
    return (sample.value, sample.unit, *times, raw, sample.step, int(sample.flags))


def _identity_items(identity: Identity) -> list[Any]:
    return [getattr(identity, field.name) for field in fields(Identity)]


def _message(plain: Any) -> Message:
    match plain:
        case ["got", value, unit, mono, utc, gate, raw, step, flags, stalled]:
            given = Sample(value, unit, mono, utc, gate, _bytes(raw), step, flags)
            sample = checked_sample(given, text("unit", unit, LONGEST_UNIT))
            return Got(sample, real("stalled_s", stalled, 0.0, LONGEST_STALL_S))
        case ["failed", kind, said, address, command, raw, bool(opened)]:
            return Failed(
                kind=text("kind", kind, LONGEST_UNIT),
                message=text("message", said),
                address=text("address", address),
                command=text("command", command),
                raw=octets("raw", _bytes(raw), LONGEST_FAILED_RAW),
                opened=opened,
            )
        case ["opened", [*identity], quantity, unit, limit_s, period_s]:
            if len(identity) != len(fields(Identity)):
                raise ForeignBytesError(f"an identity of {len(identity)} items")
            return Opened(
                identity=checked_identity(Identity(*identity)),
                quantity=text("quantity", quantity, LONGEST_UNIT),
                unit=text("unit", unit, LONGEST_UNIT),
                read_limit_s=real("read_limit_s", limit_s, 0.0, LONGEST_STALL_S),
                period_s=real("period_s", period_s, 0.0, LONGEST_STALL_S),
            )
        case ["said", said]:
            return Said(text("text", said))
        case ["about-to-open", attempt]:
            return AboutToOpen(whole("attempt", attempt))
    raise ForeignBytesError("it names no message")


def _bytes(told: object) -> bytes:
    if not isinstance(told, str):
        raise ForeignBytesError("bytes are no text in base 64")
    try:
        return base64.b64decode(told, validate=True)
    except (binascii.Error, ValueError) as error:
        raise ForeignBytesError(str(error)) from None
