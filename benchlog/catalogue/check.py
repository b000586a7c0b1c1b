"""A small declarative checker: every problem of a file at once.

A table is described by a mapping of names to `TableKey`; a `TableKey` holds a `Shape`,
which says in words what is expected and turns a TOML value into ours. `Findings`
collects what does not fit, one problem for each key, so that a person mends a file in
one go.
"""

import math
import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any, Final

from benchlog.errors import ConfigError, Problem, nearest_hint
from benchlog.masking import masked
from benchlog.units import (
    PPM_PER_PERCENT,
    as_stated,
    parse_frequency_hz,
    parse_tolerance_ppm,
    printable,
)

MAX_DEPTH: Final = 8
_MAX_SHOWN: Final = 80
_INT64: Final = range(-(2**63), 2**63)


@dataclass(frozen=True, slots=True)
class Shape:
    """What a value must be: in words, and as a function giving None if it is not.

    `accept` may raise ValueError to tell more of a text than `expected` does.
    """

    expected: str
    accept: Callable[[object], Any]
    secret: bool = False  # a text that is not shown


@dataclass(frozen=True, slots=True)
class TableKey:
    """One key of a table; `default` is what stands there when it is left out."""

    shape: Shape
    required: bool = False
    default: Any = None


class Findings:
    """The problems found in one file so far."""

    def __init__(self, file: str, document: Mapping[str, Any] | None = None) -> None:
        self.file = file
        self.problems: list[Problem] = []
        self._keys: set[str] = set()
        if document is not None:
            self._vet(document)

    def add(self, key: str, found: str, expected: str) -> None:
        """Note a problem, unless this key already has one."""
        if key not in self._keys:
            self._keys.add(key)
            said = (printable(found), printable(expected))
            self.problems.append(Problem(self.file, key, *said))

    def extend(self, problems: Iterable[Problem]) -> None:
        """Take over problems found elsewhere (a driver's options, another file)."""
        for problem in problems:
            if problem.file == self.file:
                self.add(problem.key, _short(problem.found), problem.expected)
            else:
                self.problems.append(problem)

    def mentions(self, prefix: str) -> bool:
        """Tell whether there is a problem at a key that begins so."""
        return any(problem.key.startswith(prefix) for problem in self.problems)

    def table(
        self, value: object, path: str, keys: Mapping[str, TableKey]
    ) -> dict[str, Any]:
        """Check a table; return a value for every key, its default where it is unfit.

        What is returned is only good for building a noun once `finish` has passed.
        """
        values = {name: key.default for name, key in keys.items()}
        for name, given in self.entries(value, path).items():
            if name in keys:
                values[name] = self.value(given, join(path, name), keys[name])
            else:
                self.add(join(path, name), "unknown key", nearest_hint(name, keys))
        if isinstance(value, Mapping):  # of a table that is missing, that is said
            for name, key in keys.items():
                if key.required and name not in value:
                    self.add(join(path, name), "missing", key.shape.expected)
        return values

    def value(self, given: object, path: str, key: TableKey) -> Any:
        """Check one value; return it in our form, or the default if it is unfit."""
        expected, is_secret = key.shape.expected, key.shape.secret
        try:
            accepted = key.shape.accept(given)
        except ValueError as error:
            accepted, expected = None, f"{expected}; {error}"
        if accepted is not None:
            return accepted
        found = "a text" if is_secret and isinstance(given, str) else shown(given)
        self.add(path, f"found {found}", expected)
        return key.default

    def entries(self, value: object, path: str) -> Mapping[str, Any]:
        """Return the table itself, empty when it is absent or no table."""
        if value is not None and not isinstance(value, Mapping):
            self.add(path, f"found {shown(value)}", f"a table [{path}]")
        return value if isinstance(value, Mapping) else {}

    def finish(self) -> None:
        """Raise ConfigError if there was any problem."""
        if self.problems:
            raise ConfigError(self.problems)

    def _vet(self, document: Mapping[str, Any]) -> None:
        """Note what no key may ever hold: NaN, infinity, absurd size or depth."""
        waiting: list[tuple[str, object, int]] = [("", document, 0)]
        while waiting:
            path, value, depth = waiting.pop()
            fault = _absurd(value, depth)
            if fault:
                self.add(path, f"found {shown(value)}", fault)
                self._keys.add(path.rpartition("[")[0])  # said of an item: enough
            elif isinstance(value, Mapping):
                below = [(join(path, k), v, depth + 1) for k, v in value.items()]
                waiting.extend(reversed(below))
            elif isinstance(value, list):
                each = [(f"{path}[{i}]", v, depth + 1) for i, v in enumerate(value)]
                waiting.extend(reversed(each))


def join(path: str, name: str) -> str:
    """Return the key path of `name`, told by its beginning, in the table at `path`."""
    bare = re.fullmatch(r"[A-Za-z0-9_-]+", name)
    key = _short(name) if bare else shown(name)
    return f"{path}.{key}" if path else key


def shown(value: object) -> str:
    """Describe a value that was found, on one short line."""
    if isinstance(value, Mapping):
        return "a table"
    if isinstance(value, list):
        return f"a list of {len(value)}"
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int) and value not in _INT64:
        return "a number of absurd size"
    said = repr(value) if isinstance(value, str | int | float) else str(value)
    return _short(masked(said))


def _short(said: str) -> str:
    return said if len(said) <= _MAX_SHOWN else said[:_MAX_SHOWN] + "..."


def text(meaning: str, *, longest: int = 200) -> Shape:
    """Text on one line that is not blank and harmless to print."""

    def accept(value: object) -> str | None:
        if not isinstance(value, str) or not value.strip(" "):
            return None
        return value if len(value) <= longest and printable(value) == value else None

    return Shape(f"text on one line: {meaning}", accept)


def matching(meaning: str, pattern: str, *, secret: bool = False) -> Shape:
    """Text that matches a pattern as a whole."""

    def accept(value: object) -> str | None:
        fits = isinstance(value, str) and re.fullmatch(pattern, value, re.DOTALL)
        return fits.string if fits else None

    return Shape(f"text: {meaning}", accept, secret)


def one_of(choices: Iterable[str]) -> Shape:
    """One of some words."""
    known = tuple(choices)

    def accept(value: object) -> str | None:
        return value if isinstance(value, str) and value in known else None

    return Shape("one of " + ", ".join(known), accept)


def number(
    meaning: str,
    low: float = -math.inf,
    high: float = math.inf,
    *,
    above: float = -math.inf,
) -> Shape:
    """A finite number from `low` to `high`, and above `above`; always a float."""

    def accept(value: object) -> float | None:
        if not isinstance(value, int | float) or isinstance(value, bool):
            return None
        if not (low <= value <= high and above < value) or _absurd(value, 0):
            return None
        return float(value)

    return Shape(f"a number{_bounds(low, high, above)} ({meaning})", accept)


def in_hz(
    meaning: str, low: float = -math.inf, high: float = math.inf, *, above: float = 0
) -> Shape:
    """A number of Hz, or a text as people write one: `16 MHz`."""
    plain = number(meaning, low, high, above=above)
    return _or_text(plain, parse_frequency_hz, '"16 MHz"')


def in_ppm(
    meaning: str,
    low: float = -math.inf,
    high: float = math.inf,
    *,
    above: float = -math.inf,
) -> Shape:
    """A number of ppm, or a text with its unit: `20ppm`, `0.5 %`."""
    plain = number(meaning, low, high, above=above)
    return _or_text(plain, parse_tolerance_ppm, '"20ppm" or "0.5 %"')


def in_percent(meaning: str, *, high: float, above: float) -> Shape:
    """A number of percent, or a text with its unit: `0.5 %`."""
    plain = number(meaning, high=high, above=above)

    def read(said: str) -> float:
        return parse_tolerance_ppm(said) / PPM_PER_PERCENT

    return _or_text(plain, read, '"0.5 %"')


def _or_text(plain: Shape, read: Callable[[str], float], forms: str) -> Shape:
    """Return a shape of numbers that also takes them as texts; `read` may refuse."""

    def accept(value: object) -> Any:
        return plain.accept(read(value) if isinstance(value, str) else value)

    return Shape(f"{plain.expected}, or a text as {forms}", accept)


def whole(meaning: str, low: int, high: int) -> Shape:
    """A whole number from `low` to `high`."""

    def accept(value: object) -> int | None:
        fits = isinstance(value, int) and not isinstance(value, bool)
        return value if fits and low <= value <= high else None  # type: ignore[operator,return-value]

    return Shape(f"a whole number from {low} to {high} ({meaning})", accept)


def a_date(meaning: str) -> Shape:
    """A date as TOML writes it, 2026-11-30, bare or as text; always ISO text."""

    def accept(value: object) -> str | None:
        try:
            day = date.fromisoformat(value) if isinstance(value, str) else value
        except ValueError:
            return None
        if not isinstance(day, date) or isinstance(day, datetime):
            return None
        return day.isoformat()

    return Shape(f"a date such as 2026-11-30 ({meaning})", accept)


def a_table(path: str) -> Shape:
    """A table, to be checked on its own."""
    return Shape(f"a table [{path}]", lambda v: v if isinstance(v, Mapping) else None)


def a_list(meaning: str) -> Shape:
    """A list, to be checked item by item."""
    return Shape(meaning, lambda v: v if isinstance(v, list) else None)


def one_or_list(each: Shape) -> Shape:
    """One value of a shape, or a list of such; always a tuple, never empty."""

    def accept(value: object) -> tuple[Any, ...] | None:
        items = value if isinstance(value, list) else [value]
        found = tuple(each.accept(item) for item in items)
        return None if not found or None in found else found

    return Shape(f"{each.expected}, or a list of such", accept)


def yes_no(meaning: str) -> Shape:
    """True or false."""
    return Shape(
        f"true or false ({meaning})", lambda v: v if isinstance(v, bool) else None
    )


def span(meaning: str, low: float, high: float) -> Shape:
    """A list of two numbers, the lower one first."""
    each = number(meaning, low, high)

    def accept(value: object) -> tuple[float, float] | None:
        if not isinstance(value, list) or len(value) != 2:
            return None
        ends = [each.accept(item) for item in value]
        if None in ends or not ends[0] < ends[1]:
            return None
        return (ends[0], ends[1])

    expected = (
        f"[low, high], two numbers from {as_stated(low)} to {as_stated(high)} "
        "with low < high"
    )
    return Shape(f"{expected} ({meaning})", accept)


def texts(meaning: str, *, secret: bool = False) -> Shape:
    """A list of texts."""
    each = text(meaning)

    def accept(value: object) -> tuple[str, ...] | None:
        if not isinstance(value, list):
            return None
        items = [each.accept(item) for item in value]
        return None if None in items else tuple(items)

    return Shape(f"a list of texts ({meaning})", accept, secret)


def _bounds(low: float, high: float, above: float) -> str:
    said = []
    if above > -math.inf:
        said.append(f"above {as_stated(above)}")
    if low > -math.inf:
        said.append(f"of at least {as_stated(low)}")
    if high < math.inf:
        said.append(f"of at most {as_stated(high)}")
    return " " + " and ".join(said) if said else ""


def _absurd(value: object, depth: int) -> str:
    """Return what would have been sane, empty when the value is."""
    if isinstance(value, float) and not math.isfinite(value):
        return "a finite number"
    if isinstance(value, int) and value not in _INT64:
        return "a whole number of at most 64 bits"
    if depth > MAX_DEPTH and isinstance(value, Mapping | list):
        return f"at most {MAX_DEPTH} levels of tables"
    return ""
