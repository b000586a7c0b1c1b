"""Types of options in seconds; `200ms` is refused and told how it is written."""

import contextlib
from typing import Any

import click

from benchlog.cli.typed_values import FiniteNumber
from benchlog.units import as_stated, parse_duration_s


class Seconds(FiniteNumber):
    """A time in seconds, without a unit, as the key of a bench file."""

    name = "seconds"

    def _hint(self, value: object) -> str:
        return in_seconds(value)


class SecondsInRange(click.FloatRange):
    """A time in seconds, without a unit, between two bounds."""

    name = "seconds range"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> Any:
        """Read seconds within the bounds; NaN is none."""
        Seconds().convert(value, param, ctx)
        return super().convert(value, param, ctx)


def in_seconds(value: object) -> str:
    """Return how to write in seconds what was typed, such as `200ms`."""
    meant_s = 0.2  # our rule: an example, where what was typed is no duration
    with contextlib.suppress(ValueError):
        meant_s = parse_duration_s(str(value))
    typed = as_stated(meant_s).replace(",", "")  # no groups where it is typed in
    return f"; it is in seconds, such as {typed}"
