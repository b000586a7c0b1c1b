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

from benchlog.errors import GarbledError, NoSignalError, OverloadError
from benchlog.model import Dialect

_NRF: Final = re.compile(r"[-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d{1,4})?", re.ASCII)
_MAX_DIGITS: Final = 64  # no instrument writes a longer number
_INFINITY: Final = 9.9e37
_NAN: Final = 9.91e37


@dataclass(frozen=True, slots=True)
class Number:
    """A number as an instrument wrote it, and what its last digit is worth."""

    value: float
    step: float

    def times(self, factor: float) -> "Number":
        """Return it in another unit, `factor` of the present one to one of the new."""
        return Number(self.value * factor, self.step * abs(factor))

    def inverted(self) -> "Number":
        """Return one over it, as a period becomes a frequency; the value is not 0."""
        return Number(1.0 / self.value, self.step / self.value**2)


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
    return Number(value, step if math.isfinite(step) else abs(value))


def parse_reply(line: bytes, dialect: Dialect, address: str, command: str) -> Number:
    """Return the number of one complete reply line, in the dialect's unit.

    Raises NoSignalError, OverloadError or GarbledError, each with the raw line.
    """
    try:
        text = line.decode("ascii").strip(" \t\r\n")
    except UnicodeDecodeError:
        raise _garbled(line, address, command) from None
    folded = text.casefold()
    if folded in {word.strip().casefold() for word in dialect.no_signal}:
        raise _no_signal(line, address, command)
    if folded in {word.strip().casefold() for word in dialect.overload}:
        raise _overload(line, address, command)
    match = re.fullmatch(dialect.reply, text, re.ASCII)
    number = parse_number((match["value"] or "").strip()) if match else None
    if number is None:
        raise _garbled(line, address, command)
    if abs(number.value) >= _INFINITY * (1 - 1e-12):
        is_nan = math.isclose(number.value, _NAN, rel_tol=1e-9)
        raise (_no_signal if is_nan else _overload)(line, address, command)
    return number.times(dialect.scale)


def _garbled(line: bytes, address: str, command: str) -> GarbledError:
    asked = f" to {command!r}" if command else ""
    said = f"{address} answered{asked} with {line[:60]!r}, which is not a number it "
    said += "should give; check the dialect's reply pattern and the line's settings"
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


def in_unit(number: Number, dialect: Dialect, unit: str, gate_s: float) -> Number:
    """Convert from the dialect's unit into the driver's; labels only where equal.

    A period in `s` becomes a frequency; `counts` become one through the gate in
    reference seconds; `K` and `F` become `C`.
    """
    if dialect.unit == "s" and unit == "Hz":
        return number.inverted()
    if dialect.unit == "counts" and unit == "Hz":
        return number.times(1.0 / gate_s)
    if dialect.unit == "K" and unit == "C":
        return Number(number.value - 273.15, number.step)
    if dialect.unit == "F" and unit == "C":
        return Number((number.value - 32.0) / 1.8, number.step / 1.8)
    return number
