"""Type and range of everything that a driver hands over, field by field.

An instrument's process looks at each value before it is sent, and the keeper looks
again at what arrives: a driver, and whatever else writes into its pipe, is a stranger.
What comes out is built anew of plain Python types. Whether a value is plausible for
the device is no question of this file: a frequency may be NaN or below zero here.

Every fault is a `DriverFaultError` that names the field and what was found.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass, fields
from itertools import islice
from typing import TYPE_CHECKING, Final

from benchlog.errors import DriverFaultError
from benchlog.model import EDGE, Flag, Identity, Sample
from benchlog.units import NS_PER_S, as_stated

if TYPE_CHECKING:
    from _typeshed import DataclassInstance

LONGEST_TEXT: Final = 5_000  # our rule: a path of 4,096 characters in a sentence
LONGEST_RAW: Final = 4_096  # our rule: eight times the longest reply with a number
LONGEST_UNIT: Final = 32  # our rule: a word
MOST_SETTINGS: Final = 64  # our rule: four times what ours read back
MOST_MESSAGES: Final = 100  # our rule: five times an instrument's error queue
LONGEST_GATE_S: Final = 1e6  # our rule: eleven days; no counter counts longer
_STAMP_S: Final = 1.0  # our rule: how far a stamp may lie outside its reading
_MOST_NS: Final = 2**63 - 1  # definition: the largest whole number of SQLite
_SHOWN: Final = 60  # our rule: a value in a sentence
_OF_A_DRIVER: Final = Flag.NO_FIX | Flag.SIMULATED
"""Flags that a driver may know of; the others are the keeper's."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DriverPromise:
    """What a driver says of its values before it reads any."""

    quantity: str
    unit: str
    read_limit_s: float
    period_s: float


def checked_sample(handed: object, unit: str) -> Sample:
    """Return what `read` handed over as a Sample of plain types.

    `unit` is what the driver promised. Raises DriverFaultError.
    """
    if not isinstance(handed, Sample):
        raise fault("read()", handed, "a Sample")
    given = attributes(handed)
    if given["unit"] != unit or not isinstance(given["unit"], str):
        raise fault("Sample.unit", given["unit"], f"{unit!r}, as the driver's unit")
    value = real("Sample.value", given["value"], finite=False)
    if unit == EDGE and not (value.is_integer() and 0 <= value <= _MOST_NS):
        raise fault("Sample.value", value, "the number of a pulse")
    step = given["step"]
    return Sample(
        value=value,
        unit=unit,
        mono_ns=whole("Sample.mono_ns", given["mono_ns"], -_MOST_NS),
        utc_ns=whole("Sample.utc_ns", given["utc_ns"]),
        gate_s=real("Sample.gate_s", given["gate_s"], 0.0, LONGEST_GATE_S),
        raw=octets("Sample.raw", given["raw"]),
        step=None if step is None else checked_step("Sample.step", step),
        flags=checked_flags("Sample.flags", given["flags"]),
    )


def check_stamp(sample: Sample, opened_ns: int, now_ns: int) -> None:
    """Refuse a stamp from before its instrument was opened, or from later than now.

    A stamp of next year would make every reading after it one that comes too late.
    Raises DriverFaultError.
    """
    check_moment("Sample.mono_ns", sample.mono_ns, opened_ns, now_ns)


def check_moment(field: str, mono_ns: int, opened_ns: int, now_ns: int) -> None:
    """Raise DriverFaultError for a moment before opening or after now."""
    slack_ns = _STAMP_S * NS_PER_S
    if not opened_ns - slack_ns <= mono_ns <= now_ns + slack_ns:
        since_s = (mono_ns - opened_ns) / NS_PER_S
        raise DriverFaultError(
            field,
            f"{as_stated(since_s, 6)} s after opening",
            "a moment from then until now, "
            f"{as_stated((now_ns - opened_ns) / NS_PER_S, 6)} s",
        )


def checked_identity(handed: object) -> Identity:
    """Return what `identify` handed over, of plain types. Raises DriverFaultError."""
    if not isinstance(handed, Identity):
        raise fault("identify()", handed, "an Identity")
    given = attributes(handed)
    texts = {
        name: text(f"Identity.{name}", given[name])
        for name in ("text", "maker", "model", "serial", "firmware")
    }
    if not texts["text"].strip():
        raise fault("Identity.text", given["text"], "its own words, not empty")
    if not isinstance(given["simulated"], bool):
        raise fault("Identity.simulated", given["simulated"], "True or False")
    settings = _settings(given["settings"])
    return Identity(**texts, simulated=given["simulated"], settings=settings)


def checked_promise(driver: object) -> DriverPromise:
    """Return what a driver promises of its values. Raises DriverFaultError."""
    given = {
        field.name: _attribute(driver, field.name, "the driver")
        for field in fields(DriverPromise)
    }
    quantity, unit = (
        text(name, given[name], LONGEST_UNIT) for name in ("quantity", "unit")
    )
    for name, word in (("quantity", quantity), ("unit", unit)):
        if not word.strip():
            raise fault(name, word, "a word")
    if (quantity == EDGE) != (unit == EDGE):
        raise fault("unit", unit, f"{EDGE!r} where quantity is {EDGE!r}, only there")
    limit_s, period_s = (
        real(name, given[name], 0.0, LONGEST_GATE_S)
        for name in ("read_limit_s", "period_s")
    )
    return DriverPromise(
        quantity=quantity, unit=unit, read_limit_s=limit_s, period_s=period_s
    )


def checked_messages(handed: object) -> tuple[str, ...]:
    """Return what `messages` handed over. Raises DriverFaultError."""
    if isinstance(handed, str | bytes):
        raise fault("messages()", handed, "a tuple of texts")
    try:
        several = list(islice(handed, MOST_MESSAGES + 1))  # type: ignore[call-overload]
    except TypeError:
        raise fault("messages()", handed, "a tuple of texts") from None
    if len(several) > MOST_MESSAGES:
        raise fault("messages()", several, f"{MOST_MESSAGES} texts at most")
    return tuple(text("messages()", one) for one in several)


# --- one value


def real(
    field: str,
    value: object,
    low: float = -math.inf,
    high: float = math.inf,
    *,
    finite: bool = True,
) -> float:
    """Return an int or float within bounds as a float; True and False are neither."""
    wanted = "a number (int or float)"
    if low > -math.inf or high < math.inf:
        wanted += f" from {as_stated(low)} to {as_stated(high)}"
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise fault(field, value, wanted)
    try:
        number = float(value)
    except OverflowError:
        raise fault(field, value, wanted) from None
    if finite and not (math.isfinite(number) and low <= number <= high):
        raise fault(field, value, wanted)
    return number


def whole(field: str, value: object, low: int = 0, high: int = _MOST_NS) -> int:
    """Return an int within bounds; True and False are none."""
    if isinstance(value, bool) or not isinstance(value, int):
        raise fault(field, value, "a whole number (int)")
    if not low <= value <= high:
        raise fault(field, value, f"a whole number from {low} to {high}")
    return int(value)


def text(field: str, value: object, longest: int = LONGEST_TEXT) -> str:
    """Return a text that UTF-8 can hold: lone surrogates become visible escapes."""
    if not isinstance(value, str):
        raise fault(field, value, "a text (str)")
    if len(value) > longest:
        raise fault(field, value, f"a text of at most {longest:,} characters")
    return str.encode(value, "utf-8", "backslashreplace").decode()


def octets(field: str, value: object, longest: int = LONGEST_RAW) -> bytes:
    """Return bytes of a bounded length."""
    if not isinstance(value, bytes | bytearray):
        raise fault(field, value, "bytes")
    if len(value) > longest:
        raise fault(field, value, f"at most {longest:,} bytes")
    return bytes(value)


def shown(value: object) -> str:
    """Return a value in a sentence, with its type; whatever it is."""
    kind = type(value).__name__
    if isinstance(value, str | bytes | bytearray | list | tuple | dict):
        size = len(value)
        if size > _SHOWN:
            return f"{kind} of {size:,}"
    try:
        said = repr(value)
    except Exception:  # a stranger's repr may do anything; whole numbers may be endless
        return kind
    return f"{said[:_SHOWN]} ({kind})"


def checked_step(field: str, value: object) -> float:
    """Return what a last digit is worth, above zero. Raises DriverFaultError."""
    step = real(field, value)
    if step <= 0:
        raise fault(field, value, "a number above zero, or None")
    return step


def checked_flags(field: str, value: object) -> Flag:
    """Return flags of which a driver may know. Raises DriverFaultError."""
    number = whole(field, value)
    if number & ~int(_OF_A_DRIVER):
        raise fault(field, value, "Flag.NONE or Flag.NO_FIX")
    return Flag(number)


def _settings(handed: object) -> dict[str, str]:
    if not isinstance(handed, Mapping):
        raise fault("Identity.settings", handed, "a mapping of texts")
    if len(handed) > MOST_SETTINGS:
        wanted = f"{MOST_SETTINGS} settings at most"
        raise fault("Identity.settings", dict(handed), wanted)
    return {
        text("Identity.settings", name): text(f"Identity.settings[{name!r}]", value)
        for name, value in handed.items()
    }


def attributes(handed: "DataclassInstance") -> dict[str, object]:
    """Return the fields of what was handed over. Raises DriverFaultError."""
    kind = type(handed).__name__
    return {
        field.name: _attribute(handed, field.name, kind) for field in fields(handed)
    }


def _attribute(of: object, name: str, kind: str) -> object:
    try:
        return getattr(of, name)
    except Exception as error:
        raise DriverFaultError(
            f"{kind}.{name}", f"missing ({type(error).__name__})", "a value"
        ) from error


def fault(field: str, value: object, wanted: str) -> DriverFaultError:
    """Return the error for a value, with what was wanted instead."""
    return DriverFaultError(field, shown(value), wanted)
