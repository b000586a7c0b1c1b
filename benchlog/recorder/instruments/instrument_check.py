"""Trying one instrument: who it is and what it reads, in a process of its own."""

import selectors
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from typing import Final

from benchlog.clock import Clock, Deadline, host_deadline
from benchlog.errors import InstrumentError, SilentError
from benchlog.model import Identity, InstrumentSpec, Sample, SampleBlock
from benchlog.recorder.instruments.instrument_handle import (
    OPEN_LIMIT_S,
    InstrumentProcess,
)
from benchlog.recorder.instruments.instrument_messages import (
    Failed,
    Got,
    GotBlock,
    Message,
    Opened,
)

_OF_BLOCK: Final = 100  # our rule: as many as show how a counter counts


@dataclass(frozen=True, slots=True)
class InstrumentCheck:
    """What one instrument gave: identity and values, or what stood in the way."""

    identity: Identity | None = None
    samples: tuple[Sample, ...] = ()
    error: InstrumentError | None = None

    @property
    def sample(self) -> Sample | None:
        """The first value."""
        return self.samples[0] if self.samples else None


def _just_one(_first: Sample) -> int:
    return 1


def check_instrument(
    spec: InstrumentSpec,
    clock: Clock,
    *,
    limit_s: float = OPEN_LIMIT_S,
    wanted: Callable[[Sample], int] = _just_one,
    blocks: bool = False,
) -> InstrumentCheck:
    """Open one instrument, read a value or several and let go of it again.

    `blocks`: a counter that streams is read as a run reads it, many readings at once.
    `limit_s` bounds opening in real seconds; reading is bounded by what the driver says
    one read may take. `wanted` tells from the first value how many are wanted; a
    failure after it ends the readings and is no error. Never raises an InstrumentError:
    it is in the result.
    """
    instrument = InstrumentProcess(spec, clock, blocks=blocks)
    instrument.hold = False
    instrument.start()
    with selectors.DefaultSelector() as selector:
        selector.register(instrument, selectors.EVENT_READ)
        try:
            tried = _wait(instrument, selector, host_deadline(limit_s), wanted)
        finally:
            selector.unregister(instrument)
            foreign = instrument.foreign
            how = instrument.finish(within_s=1.0)
            if foreign:
                how = f"wrote what is no message ({foreign}) and was {how}"
    return tried if tried.sample or tried.error else _gone(tried, spec, how)


def _wait(
    instrument: InstrumentProcess,
    selector: selectors.BaseSelector,
    limit: Deadline,
    wanted: Callable[[Sample], int],
) -> InstrumentCheck:
    tried = InstrumentCheck()
    while not (limit.passed if instrument.state != "reading" else instrument.overdue):
        selector.select(0.1)
        instrument.drain_complaints()
        heard = instrument.hear()
        if heard is None:
            return tried
        for message in heard:
            if tried.sample is not None and isinstance(message, Failed):
                return tried
            tried = _after(tried, message)
            if tried.error:
                return tried
            if tried.sample and len(tried.samples) >= wanted(tried.sample):
                return tried
    return tried if tried.sample else replace(tried, error=_silent(instrument))


def _after(tried: InstrumentCheck, message: Message) -> InstrumentCheck:
    match message:
        case Opened():
            return replace(tried, identity=message.identity)
        case Got():
            return replace(tried, samples=(*tried.samples, message.sample))
        case GotBlock():
            return replace(tried, samples=(*tried.samples, *_of_block(message.block)))
        case Failed():
            return replace(tried, error=message.error())
    return tried


def _of_block(block: SampleBlock) -> Iterator[Sample]:
    """Yield the first readings of a block, up to where some are missing."""
    end = next((at for at in block.breaks if at > 0), len(block.values))
    for at in range(min(end, _OF_BLOCK)):
        mono_ns = int(block.mono_ns[at])
        yield Sample(
            float(block.values[at]),
            block.unit,
            mono_ns,
            mono_ns + block.utc_ahead_ns,
            block.gate_s,
            step=block.step,
        )


def _gone(tried: InstrumentCheck, spec: InstrumentSpec, how: str) -> InstrumentCheck:
    error = InstrumentError(
        f"the process of driver {spec.driver!r} {how}", address=spec.address
    )
    return InstrumentCheck(tried.identity, error=error)


def _silent(instrument: InstrumentProcess) -> InstrumentError:
    spec = instrument.spec
    return SilentError(
        f"driver {spec.driver!r} neither answered nor gave up at {spec.address}; "
        "is the address right and the instrument switched on?",
        address=spec.address,
    )
