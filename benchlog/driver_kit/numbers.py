"""Numbers out of replies: a finite, complete decimal number or an error, never a guess.

Number forms after IEEE 488.2 (NR1, NR2, NR3); the codes for "no value" after SCPI-1999:
9.91E37 is not-a-number, +-9.9E37 is infinity. Instruments differ in which of them they
send, so everything from 9.9E37 on means that there is no value.
"""

import math
import re
from dataclasses import dataclass
from decimal import Decimal
from typing import Final

from benchlog.driver import Driver
from benchlog.driver_kit.reply_patterns import (
    TooSlowError,
    is_bounded,
    match_reply,
    pattern_fault,
)
from benchlog.errors import GarbledError, NoSignalError, OverloadError, RefusedError
from benchlog.model import Dialect

_NRF: Final = re.compile(r"[-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d{1,4})?", re.ASCII)
_MAX_DIGITS: Final = 64  # no instrument writes a longer number
_INFINITY: Final = 9.9e37
_NAN: Final = 9.91e37
_CONVERSIONS: Final = {("s", "Hz"), ("counts", "Hz"), ("K", "C"), ("F", "C")}


@dataclass(frozen=True, slots=True)
class Number:
    """A number as an instrument wrote it, and what its last digit is worth."""

    value: float
    step: float

    def times(self, factor: float) -> "Number":
        """Return it in another unit, `factor` of the present one to one of the new."""
        return Number(self.value * factor, _worth(self.step * abs(factor)))


def parse_number(text: str) -> Number | None:
    """Read one complete decimal number, None when `text` is anything else.

    No spaces, no `nan` or `inf`, no digits of other scripts, no underscores; a number
    too large for a float is none either.
    """
    if len(text) > _MAX_DIGITS or not _NRF.fullmatch(text):
        return None
    value = float(text)
    if not math.isfinite(value):
        return None
    exponent = Decimal(text).as_tuple().exponent
    step = float(f"1e{exponent}")
    return Number(value, _worth(step if math.isfinite(step) else abs(value)))


def parse_reply(
    line: bytes,
    dialect: Dialect,
    unit: str,
    *,
    gate_s: float = 1.0,
    address: str = "",
    command: str = "",
) -> Number:
    """Return the number of one complete reply line in the driver's `unit`.

    `gate_s` turns counts into a frequency. Raises NoSignalError, OverloadError or
    GarbledError, each with the raw line.
    """
    if not line.isascii() or not is_bounded(line.decode("ascii")):
        raise _garbled(line, address, command)
    text = line.decode("ascii").strip(" \t\r\n")
    if _is_one_of(text, dialect.no_signal):
        raise _no_signal(line, address, command)
    if _is_one_of(text, dialect.overload):
        raise _overload(line, address, command)
    try:
        match = match_reply(dialect.reply, text)
    except TooSlowError as error:
        raise _garbled(line, address, command, f"; its match: {error}") from error
    number = parse_number((match["value"] or "").strip()) if match else None
    if number is None:
        raise _garbled(line, address, command)
    if abs(number.value) >= _INFINITY:
        is_nan = math.isclose(number.value, _NAN, rel_tol=1e-9)
        raise (_no_signal if is_nan else _overload)(line, address, command)
    converted = _in_unit(number.times(dialect.scale), dialect.unit, unit, gate_s)
    if converted is None:
        raise _garbled(line, address, command)
    return converted


def _worth(step: float) -> float:
    """Return what a last digit is worth: never nothing, however small it was."""
    return step or math.ulp(0.0)


def converts(given: str, wanted: str) -> bool:
    """Whether a reply in the unit `given` can be had in the unit `wanted`."""
    return given == wanted or (given, wanted) in _CONVERSIONS


def _in_unit(number: Number, given: str, wanted: str, gate_s: float) -> Number | None:
    """Convert a number; None when there is no finite result, as for a period of 0.

    A period in `s` becomes a frequency; `counts` become one through the gate in
    reference seconds; `K` and `F` become `C`. Other units are labels.
    """
    pair = (given, wanted)
    if pair == ("s", "Hz"):
        if number.value <= 0 or number.value**2 == 0:
            return None
        number = Number(1.0 / number.value, _worth(number.step / number.value**2))
    elif pair == ("counts", "Hz"):
        number = number.times(1.0 / gate_s)
    elif pair == ("K", "C"):
        number = Number(number.value - 273.15, number.step)
    elif pair == ("F", "C"):
        number = Number((number.value - 32.0) / 1.8, _worth(number.step / 1.8))
    return number if math.isfinite(number.value + number.step) else None


def _is_one_of(text: str, words: tuple[str, ...]) -> bool:
    return text.casefold() in {word.strip().casefold() for word in words}


def _garbled(line: bytes, address: str, command: str, why: str = "") -> GarbledError:
    asked = f" to {command!r}" if command else ""
    said = f"{address} answered{asked} with {line[:60]!r}, which is not a number it "
    said += (
        "should give; check the dialect's reply pattern and the line's settings" + why
    )
    return GarbledError(said, address=address, command=command, raw=line)


def _no_signal(line: bytes, address: str, command: str) -> NoSignalError:
    said = (
        f"{address} has nothing to measure (it says {line[:40]!r}); check the signal, "
    )
    said += "the probe and the trigger level"
    return NoSignalError(said, address=address, command=command, raw=line)


def _overload(line: bytes, address: str, command: str) -> OverloadError:
    said = f"{address} is beyond its range (it says {line[:40]!r}); check level, range "
    said += "and wiring"
    return OverloadError(said, address=address, command=command, raw=line)


# --- whether a dialect is one that a driver can use, before anything is sent


def checked_dialect(driver: Driver, talks: str, *, any_unit: bool = False) -> Dialect:
    """Return the driver's `dialect` option. Raises RefusedError when it is of no use.

    `talks` is what the driver needs, `scpi` or `line`. With `any_unit` the dialect's
    unit is not looked at.
    """
    dialect = driver.settings["dialect"]
    if not isinstance(dialect, Dialect):
        raise RefusedError(f"dialect {dialect!r} was not read from its file")
    fault = ""
    if dialect.talks != talks:
        fault = f"talks is {dialect.talks!r}, this driver needs {talks!r}"
    elif not any_unit and not converts(dialect.unit, driver.unit):
        fault = (
            f"its replies are in {dialect.unit!r}, this driver needs {driver.unit!r}"
        )
    else:
        fault = pattern_fault(dialect.reply)
    if fault:
        raise RefusedError(
            f"dialect {dialect.name!r} does not fit {driver.address}: {fault}; choose "
            "another dialect or driver",
            address=driver.address,
        )
    return dialect
