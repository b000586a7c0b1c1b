"""Whether what a driver hands over, or raises, is what a keeper can take."""

from collections.abc import Callable, Iterator
from itertools import count
from typing import Any, Final

from benchlog.clock import host_deadline, host_sleep
from benchlog.driver_values import octets, text
from benchlog.errors import INSTRUMENT_ERRORS, DriverFaultError, InstrumentError

_LONGEST_RAW: Final = 1 << 20
_PAUSE_S: Final = 0.05
_CHANCES: Final = 8
_PATIENCE_S: Final = 10.0
"""Our rule: a starved computer has come round by then."""


def sound(check: Callable[..., Any], *handed: Any) -> Any:
    """Return what a check makes of what was handed over, or tell what is wrong."""
    try:
        return check(*handed)
    except DriverFaultError as fault:
        raise AssertionError(str(fault)) from fault


def check_error(error: InstrumentError) -> None:
    """Check that an error can be told: words, a kind of ours, texts, bytes."""
    assert str(error).strip()
    kinds = {InstrumentError.kind, *(kind.kind for kind in INSTRUMENT_ERRORS)}
    assert error.kind in kinds, f"kind {error.kind!r} is none of {sorted(kinds)}"
    sound(text, "error.address", error.address)
    sound(text, "error.command", error.command)
    sound(octets, "error.raw", error.raw, _LONGEST_RAW)


def raised(call: Callable[[], object]) -> InstrumentError | None:
    """Return the error that a call raises, None when it raises none."""
    try:
        call()
    except InstrumentError as error:
        return error
    return None


def soon(condition: Callable[[], bool]) -> bool:
    """Whether it comes true within a second: peers do what they do a bit later."""
    deadline = host_deadline(1.0)
    while not condition():
        if deadline.passed:
            return False
        host_sleep(_PAUSE_S)
    return True


def chances() -> Iterator[None]:
    """Yield until nobody asks: eight times, and for 10 s on a busy computer."""
    deadline = host_deadline(_PATIENCE_S)
    for number in count():
        if number >= _CHANCES and deadline.passed:
            return
        if number:
            host_sleep(_PAUSE_S)
        yield
