"""The driver contract: four verbs, declared options, typed errors.

A driver fetches and labels. It never judges whether a value is plausible, never
stores, prints or retries, and takes time only from the clock it is given: the keeper
does the rest, once, for every driver. This is all that a driver needs::

    class MyCounter(Driver):
        \"\"\"My counter: one query a gate over TCP.\"\"\"

        quantity = "frequency"
        unit = "Hz"
        options = (Option("gate_s", float, 1.0, "gate time in seconds", low=1e-3),)

        def open(self) -> None: ...
        def identify(self) -> Identity: ...
        def read(self) -> Sample: ...
        def close(self) -> None: ...

Register it in the entry-point group `benchlog.drivers` and run it through
`benchlog.testing`, which every driver of ours passes too.

Rules that the conformance suite checks
---------------------------------------
* `open` raises LostError when nobody is there; it may not "succeed" into nowhere.
* `read` blocks for at most `read_limit_s` (bench time) plus `GRACE_S` of real time,
  then raises SilentError. A closed peer is noticed within 1 s and is a LostError.
* A reply that is not a finite number, is incomplete, or is a code for "no value" is an
  error with the raw bytes, never a Sample.
* After any error the keeper closes the driver, opens it again and compares
  `identify().who` with before; `open` must therefore start from a clean line.
* `close` may be called at any time, twice, and after a failed `open`.
"""

from abc import ABC, abstractmethod
from collections.abc import Mapping
from dataclasses import KW_ONLY, dataclass
from typing import ClassVar, Final

from benchlog.clock import Clock
from benchlog.errors import ConfigError, Problem, RefusedError, nearest_hint
from benchlog.masking import MASK, is_secret
from benchlog.model import Dialect, Identity, Sample
from benchlog.units import as_stated

GRACE_S: Final = 2.0
"""Real seconds an answer may take beyond the gate before it counts as silence."""


@dataclass(frozen=True, slots=True)
class Option:
    """One option of a driver, as it may stand in a bench file.

    `default` None means: optional, absent unless given. `choices` and `low`/`high`
    bound what is accepted. `type` is `str`, `int`, `float`, `bool` or `Dialect`: a
    bench file names a dialect, the driver is handed the Dialect read from it.
    """

    name: str
    type: type
    default: object
    help: str
    _: KW_ONLY
    choices: tuple[object, ...] = ()
    low: float | None = None
    high: float | None = None
    required: bool = False


class Driver(ABC):
    """One kind of instrument. See the module's rules."""

    quantity: str
    """`frequency`, `temperature`, `voltage`, ...: what `read` returns."""
    unit: str
    """The unit of `Sample.value`: `Hz`, `C`, `V`, ..."""
    options: ClassVar[tuple[Option, ...]] = ()
    needs_address: ClassVar[bool] = True
    """Whether the bench file must give an address."""
    exclusive: ClassVar[bool] = True
    """Whether only one keeper may hold the address at a time."""

    def __init__(
        self, address: str, options: Mapping[str, object], clock: Clock
    ) -> None:
        self.address = address
        self.settings = with_defaults(self.options, options)
        self.clock = clock

    @classmethod
    def address_wanted(cls, address: str, settings: Mapping[str, object]) -> str:
        """Return what an address looks like if this cannot be one, else nothing.

        Asked when a bench file is read; nothing is opened.
        """
        del address, settings
        return ""

    @property
    def read_limit_s(self) -> float:
        """Bench seconds that one `read` may take when all is well (the gate)."""
        return 1.0

    @property
    def period_s(self) -> float:
        """Bench seconds from one read to the next; 0 means at once (a counter)."""
        return 0.0

    @abstractmethod
    def open(self) -> None:
        """Connect and set up. Raises InstrumentError; leaves nothing half open."""

    @abstractmethod
    def identify(self) -> Identity:
        """Return what stands at the address, and the settings read back."""

    @abstractmethod
    def read(self) -> Sample:
        """Take one value. Raises InstrumentError, with the raw bytes where any came."""

    def select(self) -> None:  # noqa: B027 - most have one input
        """Make the next `read` one of this input; asked where others share the counter.

        Raises InstrumentError.
        """

    @abstractmethod
    def close(self) -> None:
        """Let go. Never raises."""

    def messages(self) -> tuple[str, ...]:
        """Return what the instrument wanted to say since last asked (error queue)."""
        return ()


SETTER_OPTIONS: Final = (
    Option("low", float, None, "never set below", required=True),
    Option("high", float, None, "never set above", required=True),
    Option("safe", float, None, "where it is set when it is let go of"),
    Option(
        "dead_man_s",
        float,
        5.0,
        "real seconds without a word of the keeper after which it is let go of",
        low=1.0,
        high=600.0,
    ),
)
"""Options of every setter whose bounds the bench file states."""


class Setter(Driver):
    """A driver that sets a quantity: a chamber, a supply, a control voltage, a load.

    `set` orders a value, `read_back` tells what the instrument says it is set to, and
    `read` measures what there really is. A setter never sets what is outside its
    `bounds`, and `release` is what makes it safe: it is called on every way out, also
    when the keeper is silent, and must not depend on anything that was set before.

    Rules that the conformance suite checks, beside those of every driver
    ---------------------------------------------------------------------
    * `set` of what is outside `bounds`, or no finite number, raises RefusedError before
      a byte is sent.
    * `set` returns once the instrument has taken the order, not when it is there;
      `at_rest` tells that.
    * Nothing beyond the bounds is sent, also where the instrument's steps or digits
      make a value another one: `as_sent` is for lines.
    * `read_back` is asked of the instrument each time, never remembered.
    * `release` may be called at any time after `open`, twice, and after an error.
    """

    switches: bool = False
    """Whether `switch` turns what it sets on and off; known once it is open."""

    @property
    def bounds(self) -> tuple[float, float]:
        """What may be set, ends included, in `unit`; from options `low` and `high`."""
        low, high = self.settings.get("low"), self.settings.get("high")
        if not isinstance(low, int | float) or not isinstance(high, int | float):
            return (0.0, -1.0)  # nothing may be set
        return float(low), float(high)

    @abstractmethod
    def set(self, value: float) -> None:
        """Order a value. Raises InstrumentError, RefusedError outside the bounds."""

    @abstractmethod
    def read_back(self) -> float:
        """Return what the instrument says it is set to. Raises InstrumentError."""

    def at_rest(self) -> bool:
        """Tell whether the instrument itself has arrived. Raises InstrumentError."""
        return True

    def switch(self, on: bool) -> None:
        """Turn what it sets on or off. Raises RefusedError where there is no switch."""
        del on
        raise RefusedError(
            f"{self.address or type(self).__name__} has nothing to switch on or off",
            address=self.address,
        )

    @abstractmethod
    def release(self) -> None:
        """Go to the safe state. Raises InstrumentError when that is not certain."""

    def as_sent(self, value: float) -> str:
        """Return a value within the bounds in 12 digits, for a line to an instrument.

        Where rounding would leave the bounds it has all its digits.
        """
        low, high = self.bounds
        text = as_stated(value, 12)
        return text if low <= float(text) <= high else repr(float(value))

    def require_within(self, value: float) -> None:
        """Raise RefusedError for what may not be set."""
        low, high = self.bounds
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise RefusedError(f"{value!r} is no number", address=self.address)
        if not low <= value <= high:
            raise RefusedError(
                f"{as_stated(value)} {self.unit} is outside what may be set: "
                f"{as_stated(low)} to {as_stated(high)} {self.unit}",
                address=self.address,
            )


TRIM: Final = "trim"
"""The quantity of setters of the trim code of the device under test.

Nothing is ever written to permanent memory: the code holds until the next reset. They
state no bounds of their own: the part's safe codes are those.
"""
MOST_CODE: Final = 2**24
"""Any code that a register of 24 bits has: the bounds of a setter that knows none."""


def as_code(setter: "Setter", value: float) -> int:
    """Return a value within the bounds as a whole trim code. Raises RefusedError."""
    setter.require_within(value)
    if value != int(value):
        raise RefusedError(f"{value!r} is no trim code", address=setter.address)
    return int(value)


class Trimmer(Setter):
    """The contract of before for setters of a trim code: `set_code`, `read` tells it.

    Drivers of others are written after it and go on working; it is told at the start.
    Write a `Setter` of the quantity `TRIM`, unit `code`, instead.
    """

    quantity = TRIM
    unit = "code"

    @abstractmethod
    def set_code(self, code: int) -> None:
        """Set a code, bounded in time. Raises InstrumentError when it did not take."""

    @property
    def bounds(self) -> tuple[float, float]:
        """See `Setter.bounds`."""
        return (0.0, float(MOST_CODE))

    def set(self, value: float) -> None:
        """See `Setter.set`; a code is a whole number."""
        self.set_code(as_code(self, value))

    def read_back(self) -> float:
        """See `Setter.read_back`."""
        return self.read().value

    def release(self) -> None:
        """See `Setter.release`: a code harms nobody, so it stays."""


def with_defaults(
    declared: tuple[Option, ...], given: Mapping[str, object]
) -> dict[str, object]:
    """Fill in defaults; options that are absent and have none stay None."""
    return {option.name: given.get(option.name, option.default) for option in declared}


def check_options(
    declared: tuple[Option, ...], given: Mapping[str, object], where: str, prefix: str
) -> tuple[Mapping[str, object], list[Problem]]:
    """Check given options against declared ones; report every problem.

    Returns the options with numbers converted (an int where a float is declared) and
    the list of problems, each with `where` (the file) and the key under `prefix`.
    """
    known = {option.name: option for option in declared}
    accepted: dict[str, object] = {}
    problems: list[Problem] = []
    for name, value in given.items():
        key = f"{prefix}.{name}"
        if name not in known:
            hint = nearest_hint(name, known)
            problems.append(Problem(where, key, "unknown key", hint))
            continue
        fault = _fault(known[name], value)
        if fault:
            found = MASK if is_secret(name) else repr(value)
            problems.append(Problem(where, key, f"found {found}", fault))
        else:
            accepted[name] = float(value) if known[name].type is float else value  # type: ignore[arg-type]
    for option in declared:
        if option.required and option.name not in given:
            problems.append(
                Problem(where, f"{prefix}.{option.name}", "missing", option.help)
            )
    return accepted, problems


def require_options(
    declared: tuple[Option, ...], given: Mapping[str, object], where: str, prefix: str
) -> Mapping[str, object]:
    """As `check_options`, raising ConfigError when there is any problem."""
    accepted, problems = check_options(declared, given, where, prefix)
    if problems:
        raise ConfigError(problems)
    return accepted


def _fault(option: Option, value: object) -> str:
    """Return what was expected of `value`, empty when it is acceptable."""
    accepted = _ALSO_ACCEPTED.get(option.type, (option.type,))
    fits = isinstance(value, accepted)
    if not fits or (isinstance(value, bool) and option.type is not bool):
        return f"{_TYPE_NAMES[option.type]} ({option.help})"
    if option.choices and value not in option.choices:
        return "one of " + ", ".join(str(choice) for choice in option.choices)
    if isinstance(value, int | float) and not isinstance(value, bool):
        low = -float("inf") if option.low is None else option.low
        high = float("inf") if option.high is None else option.high
        if not low <= value <= high:
            return (
                f"a number from {as_stated(low)} to {as_stated(high)} ({option.help})"
            )
    return ""


_TYPE_NAMES: Final[dict[type, str]] = {
    Dialect: "the name or path of a dialect",
    str: "text",
    int: "a whole number",
    float: "a number",
    bool: "true or false",
}
_ALSO_ACCEPTED: Final[dict[type, tuple[type, ...]]] = {
    float: (float, int),
    Dialect: (Dialect, str),
}
