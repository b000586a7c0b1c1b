"""Types of what is typed: durations, names, finite numbers; with their completion."""

import contextlib
import math
import os
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import click
from click.shell_completion import CompletionItem

from benchlog.model import device_id_fault
from benchlog.units import (
    NS_PER_S,
    SECONDS_PER_DAY,
    as_stated,
    parse_duration_s,
    parse_frequency_hz,
    parse_tolerance_ppm,
    printable,
)


class _Type(click.ParamType):  # type: ignore[type-arg]  # generic from click 8.5
    """The base of the types below."""


class Duration(_Type):
    """A duration as `90s`, `10m`, `1h30m`; converts to seconds."""

    name = "duration"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> float:
        """Read a duration in seconds, or fail with the accepted forms."""
        if isinstance(value, float):
            return value
        try:
            return parse_duration_s(str(value))
        except ValueError as error:
            self.fail(str(error), param, ctx)


class Durations(_Type):
    """Durations separated by commas, as `1s,10s,100s` or `1,10,100`; to seconds."""

    name = "durations"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> tuple[float, ...]:
        """Read each one; a bare number is seconds."""
        if isinstance(value, tuple):
            return value
        return tuple(self._one(text, param, ctx) for text in str(value).split(","))

    def _one(
        self, text: str, param: click.Parameter | None, ctx: click.Context | None
    ) -> float:
        with contextlib.suppress(ValueError):
            return parse_duration_s(f"{float(text)!r}s")
        try:
            return parse_duration_s(text)
        except ValueError as error:
            self.fail(str(error), param, ctx)


class Frequency(_Type):
    """A frequency as `12MHz`, `32.768k`, `16e6`; converts to Hz, exact to the bit."""

    name = "frequency"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> float:
        """Read a frequency in Hz, or fail with what to write."""
        if isinstance(value, float):
            return value
        try:
            nominal_hz = parse_frequency_hz(str(value))
        except ValueError as error:
            self.fail(str(error), param, ctx)
        from benchlog.catalogue.described import bare_text
        from benchlog.cli.printing import say

        if told := bare_text(str(value).strip(), nominal_hz):
            say(told)
        return nominal_hz


class Tolerance(_Type):
    """A tolerance as `20ppm`, `0.5 %`, `1e-6`; converts to ppm."""

    name = "tolerance"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> float:
        """Read a tolerance in ppm, or fail with what to write."""
        if isinstance(value, float):
            return value
        try:
            return parse_tolerance_ppm(str(value))
        except ValueError as error:
            self.fail(str(error), param, ctx)


class FiniteNumber(_Type):
    """A finite number; `above` is the bound it must exceed."""

    name = "number"

    def __init__(self, above: float = -math.inf) -> None:
        self.above = above

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> float:
        """Read a number; NaN and infinities are none."""
        try:
            number = float(value)
        except ValueError:
            number = math.nan
        if not math.isfinite(number) or number <= self.above:
            bound = "" if self.above == -math.inf else f" above {as_stated(self.above)}"
            point = "; decimals follow a point" if "," in str(value) else ""
            said = f"{value!r} is not a finite number{bound}{point}{self._hint(value)}"
            self.fail(said, param, ctx)
        return number

    def _hint(self, value: object) -> str:
        """Return what else to say of what is no such number."""
        del value
        return ""


class SupplyVolts(FiniteNumber):
    """A supply in V; more than a clock source can have is warned of, and kept."""

    def __init__(self) -> None:
        super().__init__(above=0)

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> float:
        """Read a voltage; say when it is beyond belief."""
        from benchlog.cli.printing import say
        from benchlog.verdict.run.run_marks import MOST_V

        volts = super().convert(value, param, ctx)
        if volts > MOST_V:
            say(
                f"a supply of {as_stated(volts)} V is beyond {as_stated(MOST_V)} V; "
                "it is kept as typed"
            )
        return volts


class Since(_Type):
    """A date, a date and time, or how long ago; converts to ns since 1970."""

    name = "moment"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> int:
        """Read `2030-05-14`, `2030-05-14T07:30` (local, or with Z), `7d`, `12h`."""
        from datetime import datetime

        from benchlog.clock import host_clock

        if isinstance(value, int):
            return value
        now_ns = host_clock().utc_ns()
        with contextlib.suppress(ValueError, OverflowError):
            return now_ns - round(_ago_s(str(value)) * NS_PER_S)
        try:
            moment = datetime.fromisoformat(str(value)).astimezone()
        except (ValueError, OverflowError):
            self.fail(
                f"{value!r} is no moment; write 2030-05-14, 2030-05-14T07:30, or 7d",
                param,
                ctx,
            )
        return round(moment.timestamp() * NS_PER_S)


def _ago_s(text: str) -> float:
    """Return a duration in s; days are understood besides what durations have.

    Raises ValueError for what is none, OverflowError for days without an end.
    """
    if text.endswith("d"):
        if (days := float(text[:-1])) < 0:
            raise ValueError(f"{text!r} is ahead")
        return days * SECONDS_PER_DAY
    return parse_duration_s(text)


class Text(_Type):
    """Any Unicode text with something in it; bytes that are no text are refused."""

    name = "text"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> str:
        """Return the text without surrounding blanks."""
        text = str(value).strip()
        if any("\ud800" <= ch <= "\udfff" for ch in text):
            self.fail(f"{value!r} is not text in the terminal's encoding", param, ctx)
        if not text:
            self.fail("it is empty", param, ctx)
        return text


class DeviceId(Text):
    """A text that can be a device's id."""

    name = "id"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> str:
        """Return the id without surrounding blanks."""
        text = super().convert(value, param, ctx)
        if fault := device_id_fault(text):
            self.fail(fault, param, ctx)
        return text


class CatalogueName(_Type):
    """A name (or path) of the catalogue: `kind` is `parts` or `benches`."""

    name = "name"

    def __init__(self, kind: str) -> None:
        self.kind = kind

    def shell_complete(
        self, ctx: click.Context, param: click.Parameter, incomplete: str
    ) -> list[CompletionItem]:
        """Complete the names in the catalogue; paths are left to the shell."""
        from benchlog.catalogue import names

        del ctx, param
        if "/" in incomplete or incomplete.startswith("."):
            return [CompletionItem(incomplete, type="file")]
        return _offered(
            (name, None) for name in names(self.kind) if name.startswith(incomplete)
        )


def _offered(found: Iterable[tuple[str, str | None]]) -> list[CompletionItem]:
    """Return names with their help, but none that a shell would have to quote.

    It puts them into the line as they are: a file called `$(reboot).toml` would be run.
    """
    import shlex

    plain = (item for item in found if shlex.quote(item[0]) == item[0])
    return [CompletionItem(name, help=said) for name, said in plain]


class UseName(_Type):
    """A use, a family of uses, or a path; completed from the catalogue."""

    name = "use"

    def shell_complete(
        self, ctx: click.Context, param: click.Parameter, incomplete: str
    ) -> list[CompletionItem]:
        """Complete the uses' ids; a broken file completes the others."""
        from benchlog.catalogue import list_uses

        del ctx, param
        uses, _ = list_uses()
        return _offered(
            (use.id, printable(use.title))
            for use in uses
            if use.id.startswith(incomplete)
        )


class DatasetAddress(click.Path):
    """A folder as a Path, or the address of a place in an object store as text."""

    name = "address"

    def __init__(self, *, exists: bool = False) -> None:
        super().__init__(path_type=Path, file_okay=False, exists=exists)

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> Any:
        """Refuse an address that cannot be used, or that has a secret in it."""
        from benchlog.exchange.dataset.addresses import (
            check_address,
            is_address,
        )

        if not os.fspath(value).strip():
            self.fail("it is empty", param, ctx)  # not the folder we are in
        if isinstance(value, str) and is_address(value):
            check_address(value)
            return value
        return super().convert(value, param, ctx)


class RunId(_Type):
    """The number of a run; completed from the database."""

    name = "run"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> int:
        """Read a whole number above zero that SQLite can hold."""
        try:
            number = int(value)
        except ValueError:
            number = 0
        if not 0 < number < 2**63:
            self.fail(f"{value!r} is not a run; see `benchlog runs`", param, ctx)
        return number

    def shell_complete(
        self, ctx: click.Context, param: click.Parameter, incomplete: str
    ) -> list[CompletionItem]:
        """Complete the latest runs; a database that cannot be read completes none."""
        from benchlog.cli.database import reading
        from benchlog.errors import BenchlogError

        del param
        found: list[CompletionItem] = []
        with (
            contextlib.suppress(BenchlogError, OSError),
            reading(ctx.params.get("db")) as reader,
        ):
            for run in reader.runs(limit=50):
                if str(run.id).startswith(incomplete):
                    text = printable(f"{run.device} {run.part.id}")
                    found.append(CompletionItem(str(run.id), help=text))
        return found


class RunOrDevice(RunId):
    """The number of a run, or the id of a device: what is no whole number is an id."""

    name = "run or device"

    def convert(  # type: ignore[override]
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> int | str:
        """Read a number, else a device id."""
        if isinstance(value, int) or str(value).strip().lstrip("-").isdecimal():
            return super().convert(value, param, ctx)
        return Text().convert(value, param, ctx)
