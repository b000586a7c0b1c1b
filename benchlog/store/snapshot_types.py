"""What the fields of a noun may hold when they come from a file or another database.

The types are those that the nouns declare. A number is finite and of a size that
figures can be made of; a text can be printed. What breaks a rule is a ValueError that
names the field, so that a run which cannot be read tells why.
"""

import json
import math
import types
from collections.abc import Callable, Iterable, Mapping
from dataclasses import fields
from functools import cache
from typing import Any, Final, Union, get_args, get_origin, get_type_hints

from benchlog.units import as_stated, printable

LARGEST: Final = 1e30
"""Our rule: squares and products of a few such numbers are still finite."""
LEAST_POSITIVE: Final = 1e-12  # our rule: what divides stays far from zero
_INT64: Final = 2**63
_ABOVE_ZERO: Final = frozenset({"nominal_hz", "divider", "gate_s", "tau0_s"})
"""Fields that others are divided by, or that no source can have at zero."""
_NOT_NEGATIVE: Final = frozenset(
    {
        *("tolerance_ppm", "stability_ppm", "ageing_ppm_per_year", "jitter_ppm"),
        *("reference_band_c", "u_ppm", "u_s", "u_c", "timebase_ppm", "apart_ppm"),
        *("timebase_ageing_ppm_per_year", "resolution_hz", "host_clock_ppm"),
        *("max_s", "max_readings", "load_pf", "shunt_c0_pf", "motional_c1_ff"),
        *("settle_s", "hold_s", "quiet_s", "hysteresis"),
        *("hysteresis_ppm", "retrace_ppm", "warm_up_ppm", "warm_up_s", "start_up_s"),
        *("gates", "scan_s", "index"),
        *("supply_ppm", "load_ppm", "pull_ppm", "linearity_percent"),
    }
)
_MAY_BE_INFINITE: Final = frozenset({"tolerance_ppm", "degrees_of_freedom"})
"""A tolerance that nobody stated, and figures that were known exactly."""
Check = Callable[[str, Any], Any]
"""Returns the value of a field, or raises ValueError that names the field."""


def parsed(text: str) -> Any:
    """Return what a JSON text stands for.

    Raises ValueError for what is none, holds NaN or infinity, or is nested without end.
    """
    try:
        return json.loads(text, parse_constant=_refuse_constant)
    except RecursionError:
        raise ValueError("it is nested too deeply") from None


def table(plain: object, name: str) -> Mapping[str, Any]:
    """Return `plain` if it is a table by texts. Raises ValueError."""
    if not isinstance(plain, Mapping):
        raise ValueError(f"{name} is {_kind(plain)} instead of a table")
    return plain


def known(cls: type, plain: object) -> dict[str, Any]:
    """Return the fields of a noun that a table holds, each of the type it declares.

    Keys that the noun does not have are left out; nested nouns are left as they are.
    Raises ValueError naming the field.
    """
    said, checks = _checks(cls)
    found = table(plain, said)
    return {
        name: check(path, found[name]) for name, path, check in checks if name in found
    }


def check_number(name: str, value: object, *, least: float = -LARGEST) -> int | float:
    """Return a finite number of a sane size. Raises ValueError for anything else."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise ValueError(f"{name} is {_kind(value)} instead of a number")
    if not least <= value <= LARGEST:
        raise ValueError(f"{name} is {_shown(value)}")
    return value


def check_text(name: str, value: object) -> str:
    """Return a text that a database and a terminal can take. Raises ValueError."""
    if not isinstance(value, str):
        raise ValueError(f"{name} is {_kind(value)} instead of a text")
    if not value.isascii():
        try:
            value.encode()
        except UnicodeEncodeError:
            raise ValueError(f"{name} is {printable(value)!r}, no Unicode") from None
    return value


def check_word(name: str, value: object, words: Iterable[str]) -> None:
    """Raise ValueError for what is none of the words that there are; null passes."""
    there = [str(one) for one in words]
    if value is not None and value not in there:
        raise ValueError(f"{name} is {_kind(value)}, none of {', '.join(there)}")


def check_columns(row: Mapping[str, Any], kinds: Mapping[str, type]) -> None:
    """Raise ValueError for the first column of a row that is not of its kind.

    SQLite holds the types of a table only where its own program wrote. Null passes:
    whether a column may be null, whoever asks for it knows.
    """
    for name, kind in kinds.items():
        if row[name] is not None:
            _PLAIN[kind](name, row[name])


def columns_of(**names: str) -> dict[str, type]:
    """Return columns by their kind: `columns_of(text="a b", whole="c", number="d")`."""
    kinds = {"text": str, "whole": int, "number": float}
    return {one: kinds[kind] for kind, said in names.items() for one in said.split()}


def _refuse_constant(word: str) -> Any:
    raise ValueError(f"{word} is no number of JSON")


@cache
def _checks(cls: type) -> tuple[str, tuple[tuple[str, str, Check], ...]]:
    """Return what a noun is called, and each field with its path and its check."""
    hints, said = get_type_hints(cls), _name_of(cls)
    names = [one.name for one in fields(cls)]
    return said, tuple((n, f"{said}.{n}", _check_of(n, hints[n])) for n in names)


def _check_of(name: str, kind: Any) -> Check:
    """Return what checks a field of this name and declared type."""
    args = get_args(kind)
    if get_origin(kind) in (Union, types.UnionType):
        inner = _check_of(name, next(one for one in args if one is not type(None)))
        return _or_none(inner) if type(None) in args else inner
    if kind in _PLAIN:
        return _number_check(name) if kind is float else _PLAIN[kind]
    if get_origin(kind) is tuple:
        return _check_list
    if isinstance(get_origin(kind), type) and issubclass(get_origin(kind), Mapping):
        return _check_texts if args[1:] == (str,) else _check_table
    return _check_nothing


def _number_check(name: str) -> Check:
    least = -LARGEST
    if name in _NOT_NEGATIVE:
        least = 0.0
    if name in _ABOVE_ZERO:
        least = LEAST_POSITIVE
    if name not in _MAY_BE_INFINITE:
        return lambda path, value: check_number(path, value, least=least)

    def check(path: str, value: object) -> float:
        if value in ("inf", math.inf):  # how JSON is given an infinity
            return math.inf
        return check_number(path, value, least=least)

    return check


def _or_none(inner: Check) -> Check:
    return lambda path, value: None if value is None else inner(path, value)


def _check_whole(path: str, value: object) -> int:
    """Return a whole number, also of a float that is one: 28.0 is 28."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise ValueError(f"{path} is {_kind(value)} instead of a whole number")
    least = 0 if path.rpartition(".")[2] in _NOT_NEGATIVE else -_INT64
    if not least <= value < _INT64 or value != int(value):
        raise ValueError(f"{path} is {_shown(value)}")
    return int(value)


def _check_yes_no(path: str, value: object) -> bool:
    if not isinstance(value, bool):
        raise ValueError(f"{path} is {_kind(value)} instead of true or false")
    return value


def _check_list(path: str, value: object) -> object:
    if not isinstance(value, list | tuple):
        raise ValueError(f"{path} is {_kind(value)} instead of a list")
    return value


def _check_table(path: str, value: object) -> object:
    return table(value, path)


def _check_texts(path: str, value: object) -> object:
    for name, one in table(value, path).items():
        check_text(f"{path}.{name}", one)
    return value


def _check_nothing(path: str, value: object) -> object:
    del path
    return value


_PLAIN: Final[Mapping[type, Check]] = {
    float: check_number,
    int: _check_whole,
    bool: _check_yes_no,
    str: check_text,
}


def _name_of(cls: type) -> str:
    return _NAMES.get(cls.__name__, cls.__name__.lower())


_NAMES: Final = {
    "RunPlan": "snapshot",
    "InstrumentSpec": "instrument",
    "PositionSpec": "position",
    "ReferenceSpec": "reference",
    "AlarmRule": "alarm",
    "TrimRange": "trim",
    "OperatingRange": "operating range",
    "QualificationPlan": "qualification",
    "StepRecord": "step",
    "TemperatureLaw": "temperature",
    "LearntStability": "learnt",
}


def _shown(value: float) -> str:
    """Return a number that is refused in print; of a whole one, not all its digits."""
    if isinstance(value, int) and abs(value) >= _INT64:
        return "a number of absurd size"
    return as_stated(value, 12)


def _kind(value: object) -> str:
    if value is None:
        return "missing"
    if isinstance(value, bool):
        return "true or false"
    if isinstance(value, str):
        return f"the text {printable(value[:40])!r}"
    kinds = {int: "a whole number", float: "a number", list: "a list", dict: "a table"}
    return kinds.get(type(value), type(value).__name__)
