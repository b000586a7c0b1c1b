"""The errors of benchlog.

    BenchlogError                    everything we raise on purpose
    ├── UsageError                   the command line asks for something impossible
    ├── NotFoundError                no such part, bench, driver, run; near matches
    ├── ConfigError                  a TOML file has problems: all, each with place
    ├── MissingExtraError            a package that an extra brings is not installed
    ├── BusyError                    somebody else holds the bench or the database
    ├── KeeperGoneError              nobody listens where a run's keeper did
    ├── StoreError                   the database cannot be opened, read or written
    │   ├── StoreFullError           no room on the disk; nothing is lost yet
    │   ├── StoreLockedError         another writer holds it; try again
    │   ├── StoreDamagedError        pages of the file were overwritten
    │   └── StoreRefusedError        a row that can never be stored as it is
    ├── DataError                    the data cannot give the figure asked for
    │   └── UnreadableRunError       a run whose record is damaged; others are not
    │       └── NoFiguresError       a run with a number that no figure can be made of
    ├── DriverFaultError             a driver hands over what no driver may
    └── InstrumentError              talking to an instrument went wrong
        ├── LostError                the connection is gone, or was never there
        ├── SilentError              connected, but no answer in time
        ├── NoSignalError            it answers: there is nothing to measure
        ├── OverloadError            it answers: beyond its range
        ├── GarbledError             an answer that is not what was asked for
        ├── OutOfStepError           an answer that belongs to another question
        ├── RefusedError             it will not take a setting (gate, input ...)
        ├── WrongInstrumentError     something else answers at this address
        └── InUseError               another program's run uses the instrument

Every message is one sentence or two: what happened, where, and what to try. No error
of ours has an empty message. Exit codes live with the class that causes them.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final

from benchlog.masking import masked

_FEW: Final = 3
_LISTED: Final = 12
_SHORTEST_WORD: Final = 3


class BenchlogError(Exception):
    """The base of every error raised on purpose; its text is meant for a person.

    Secrets of the addresses in it are masked: errors become events and lines of logs.
    """

    exit_code = 1

    def __init__(self, message: str) -> None:
        if not message.strip():
            raise ValueError(f"{type(self).__name__} needs a message")
        super().__init__(masked(message))


class UsageError(BenchlogError):
    """The request itself is wrong; nothing was started."""

    exit_code = 2


class NotFoundError(BenchlogError):
    """A name that leads nowhere; the message names the nearest ones."""

    exit_code = 2

    def __init__(
        self, kind: str, name: str, known: Iterable[str], hint: str = ""
    ) -> None:
        self.kind, self.name = kind, name
        names = sorted(known)
        near = [] if name.isdigit() else _near(name, names)
        said = f"there is no {kind} {name!r}"
        if near:
            some = " or ".join(near) if len(near) <= _FEW else _begun(near, _FEW)
            said += f"; did you mean {some}?"
        elif names:
            said += "; known: " + listed(names)
        super().__init__(f"{said} {hint}".strip())


def _near(name: str, names: Sequence[str]) -> list[str]:
    """Return what a mistyped name may have meant: like it as a whole, or in a word."""
    import difflib  # noqa: PLC0415 - seldom needed

    near = difflib.get_close_matches(name, names, n=_FEW, cutoff=0.5)
    if near or len(name) < _SHORTEST_WORD:
        return near
    words = {one: one.casefold().split("-") for one in names}
    told = name.casefold()
    return [
        one
        for one in names
        if difflib.get_close_matches(told, words[one], n=1, cutoff=0.8)
    ]


def _begun(names: Sequence[str], most: int) -> str:
    return ", ".join((*names[:most], "…"))


def listed(names: Sequence[str]) -> str:
    """Return names as a list of a line or two; numbers in their order, as spans.

    Where there are too many the first names, or the highest numbers, stand for all.
    """
    if not all(name.isascii() and name.isdigit() for name in names):
        if len(names) <= _LISTED:
            return ", ".join(names)
        return f"{_begun(names, _LISTED)} ({len(names)} in all)"
    spans: list[list[int]] = []
    for number in sorted(map(int, names)):
        if spans and number == spans[-1][-1] + 1:
            spans[-1] = [spans[-1][0], number]
        else:
            spans.append([number])
    shown = ", ".join(" to ".join(map(str, span)) for span in spans[-_LISTED:])
    return ("…, " if len(spans) > _LISTED else "") + shown


@dataclass(frozen=True, slots=True)
class Problem:
    """One fault of a configuration file: where it is and what was expected."""

    file: str
    key: str
    found: str
    expected: str

    def __str__(self) -> str:
        return f"{self.file}: {self.key}: {self.found}; expected {self.expected}"


class ConfigError(BenchlogError):
    """A file cannot be used; `problems` holds every fault found, not the first."""

    exit_code = 2

    def __init__(self, problems: Sequence[Problem], remedy: str = "") -> None:
        self.problems = tuple(problems)
        count = "1 problem" if len(problems) == 1 else f"{len(problems)} problems"
        lines = "\n".join(f"  {problem}" for problem in problems)
        last = f"\n{remedy}" if remedy else ""
        super().__init__(f"{count} in the configuration:\n{lines}{last}")


def nearest_hint(name: str, known: Iterable[str]) -> str:
    """Return the nearest known key, or all of them, as an expectation."""
    import difflib  # noqa: PLC0415 - seldom needed

    names = sorted(known)
    near = difflib.get_close_matches(name, names, n=1, cutoff=0.6)
    if near:
        return f"{near[0]!r}?"
    return "one of " + ", ".join(names) if names else "no keys here"


class MissingExtraError(BenchlogError):
    """Something needs a package that only an extra of the installation brings."""

    def __init__(self, needs: str, extra: str) -> None:
        self.extra = extra
        super().__init__(
            f"{needs}, which is not installed; in the folder with benchlog's source "
            f"run: pip install '.[{extra}]'"
        )


class BusyError(BenchlogError):
    """Somebody else holds what is needed; the message says who."""


class KeeperGoneError(BenchlogError):
    """Nobody listens where the keeper of a run did."""


class StoreError(BenchlogError):
    """The database cannot be opened, read or written."""


class StoreOlderError(StoreError):
    """The database is of an older version; a writer brings it up to date."""


class StoreFullError(StoreError):
    """There is no room to write; the rows are still held by the caller."""


class StoreLockedError(StoreError):
    """Another writer holds the database; the rows are still held by the caller."""


class StoreDamagedError(StoreError):
    """Pages of the file were overwritten; what can be read, another file takes."""


class StoreRefusedError(StoreError):
    """A row can never be stored as it is (NaN, bad text ...); retrying is no use."""


class ForwardError(BenchlogError):
    """The central database or store cannot be reached, or does not take what is sent.

    What was sent before is whole over there, and nothing of the rest is.
    """


class DataError(BenchlogError):
    """The data at hand cannot give the figure that was asked for."""


class UnreadableRunError(DataError):
    """The record of one run is damaged, or in quarantine; no other run is harmed."""

    def __init__(self, run_id: int, why: str) -> None:
        self.run_id, self.why = run_id, why
        super().__init__(
            f"run {run_id} cannot be read: {why}; `benchlog check` tells what is left "
            "of it"
        )


class NoFiguresError(UnreadableRunError):
    """A run holds a number, `what`, of which no figure can be made. Its rows stay."""

    def __init__(self, run_id: int, what: str) -> None:
        self.run_id = run_id
        self.why = f"{what}: no figure can be made of a number of that size"
        DataError.__init__(
            self,
            f"run {run_id} has no figures: {self.why}. Its rows are kept; "
            f"`benchlog export {run_id}` gives them as they are",
        )


class DriverFaultError(BenchlogError):
    """A driver hands over what no driver may; `field` is what of it."""

    def __init__(self, field: str, found: str, wanted: str) -> None:
        self.field = field
        super().__init__(f"{field} is {found}; a driver hands over {wanted}")


class InstrumentError(BenchlogError):
    """Talking to an instrument went wrong.

    Parameters
    ----------
    message : str
        What happened and the one thing to try, as a sentence.
    address : str
        Where the instrument was looked for.
    command : str
        What had been sent, empty if nothing.
    raw : bytes
        What had arrived so far; kept so that the event can store it.

    """

    kind = "instrument"

    def __init__(
        self, message: str, *, address: str = "", command: str = "", raw: bytes = b""
    ) -> None:
        super().__init__(message)
        self.address, self.command, self.raw = address, command, raw


class LostError(InstrumentError):
    """The connection is gone, refused, or was never there."""

    kind = "lost"


class SilentError(InstrumentError):
    """The connection stands, but no complete answer came in time."""

    kind = "silent"


class NoSignalError(InstrumentError):
    """The instrument answers that there is nothing to measure."""

    kind = "no-signal"


class OverloadError(InstrumentError):
    """The instrument answers that the quantity is beyond its range."""

    kind = "overload"


class GarbledError(InstrumentError):
    """An answer that is not a number of the kind asked for."""

    kind = "garbled"


class OutOfStepError(InstrumentError):
    """An answer that belongs to an earlier question; resynchronise."""

    kind = "out-of-step"


class RefusedError(InstrumentError):
    """The instrument does not take a setting it was given."""

    kind = "refused"


class WrongInstrumentError(InstrumentError):
    """Something else answers at this address than before, or than promised."""

    kind = "wrong-instrument"


class InUseError(InstrumentError):
    """Another program's run uses this instrument, under another address."""

    kind = "in-use"


INSTRUMENT_ERRORS: tuple[type[InstrumentError], ...] = (
    LostError,
    SilentError,
    NoSignalError,
    OverloadError,
    GarbledError,
    OutOfStepError,
    RefusedError,
    WrongInstrumentError,
    InUseError,
)
"""The kinds of instrument error, for carrying one across a process boundary."""


def instrument_error(
    kind: str, message: str, *, address: str = "", command: str = "", raw: bytes = b""
) -> InstrumentError:
    """Build the instrument error whose `kind` is given (the base if unknown)."""
    cls = next((c for c in INSTRUMENT_ERRORS if c.kind == kind), InstrumentError)
    return cls(message, address=address, command=command, raw=raw)
