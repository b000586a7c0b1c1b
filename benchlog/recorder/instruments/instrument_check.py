"""Trying one instrument: who it is, and one value, in a process of its own."""

import selectors
from dataclasses import dataclass

from benchlog.clock import Clock, Deadline, host_deadline
from benchlog.errors import InstrumentError, SilentError
from benchlog.model import Identity, InstrumentSpec, Sample
from benchlog.recorder.instruments.instrument_handle import (
    OPEN_LIMIT_S,
    InstrumentProcess,
)
from benchlog.recorder.instruments.instrument_messages import (
    Failed,
    Got,
    Message,
    Opened,
)


@dataclass(frozen=True, slots=True)
class InstrumentCheck:
    """What one instrument gave: identity and value, or what stood in the way."""

    identity: Identity | None = None
    sample: Sample | None = None
    error: InstrumentError | None = None


def check_instrument(
    spec: InstrumentSpec, clock: Clock, *, limit_s: float = OPEN_LIMIT_S
) -> InstrumentCheck:
    """Open one instrument, read one value and let go of it again.

    `limit_s` bounds opening in real seconds; reading is bounded by what the driver says
    one read may take. Never raises an InstrumentError: it is in the result.
    """
    instrument = InstrumentProcess(spec, clock)
    instrument.hold = False
    instrument.start()
    with selectors.DefaultSelector() as selector:
        selector.register(instrument, selectors.EVENT_READ)
        try:
            tried = _wait(instrument, selector, host_deadline(limit_s))
        finally:
            selector.unregister(instrument)
            how = instrument.finish(within_s=1.0)
    return tried if tried.sample or tried.error else _gone(tried, spec, how)


def _wait(
    instrument: InstrumentProcess, selector: selectors.BaseSelector, limit: Deadline
) -> InstrumentCheck:
    tried = InstrumentCheck()
    while not (limit.passed if instrument.state != "reading" else instrument.overdue):
        selector.select(0.1)
        instrument.drain_complaints()
        heard = instrument.hear()
        if heard is None:
            return tried
        for message in heard:
            tried = _after(tried, message)
        if tried.sample or tried.error:
            return tried
    return InstrumentCheck(tried.identity, error=_silent(instrument))


def _after(tried: InstrumentCheck, message: Message) -> InstrumentCheck:
    match message:
        case Opened():
            return InstrumentCheck(message.identity, tried.sample, tried.error)
        case Got():
            return InstrumentCheck(tried.identity, message.sample)
        case Failed() if tried.sample is None:
            return InstrumentCheck(tried.identity, error=message.error())
    return tried


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
