"""The checks of one instrument so far, as a chart and as a table."""

from collections.abc import Sequence
from typing import TYPE_CHECKING, Final

from benchlog.model import ReferenceCheck
from benchlog.pages.content import Chart, Table, table
from benchlog.plotting.pictures import (
    ACCENT,
    FAINT,
    INK,
    new_figure,
)
from benchlog.units import (
    NS_PER_S,
    SECONDS_PER_DAY,
    format_ppm,
    format_u_ppm,
    iso_utc,
    signed_digits,
    three_digits,
)
from benchlog.verdict.run.budget import COVERAGE

if TYPE_CHECKING:
    from matplotlib.axes import Axes

Numbered = tuple[int, ReferenceCheck]
_DAY_NS: Final = NS_PER_S * SECONDS_PER_DAY


def history_chart(checks: Sequence[Numbered]) -> Chart | None:
    """Draw checks with their U; None where there is one only."""
    if len(checks) < 2:
        return None
    first_ns = checks[0][1].at_utc_ns
    figure, (axes,) = new_figure(size=(7.2, 2.8))
    counting = [one for _, one in checks if one.void is None]
    void = [one for _, one in checks if one.void is not None]
    if counting:
        _drawn(axes, counting, first_ns, fmt="D-", color=INK)
    if void:
        _drawn(axes, void, first_ns, fmt="x", color=FAINT, label="void")
        axes.legend()
    axes.axhline(0.0, color=ACCENT, linewidth=0.8)
    axes.set(xlabel="days since the first check", ylabel="time base, ppm")
    return Chart(
        "The time base from check to check, with U (95 %)",
        _in_words(counting, len(void)),
        figure,
    )


def _drawn(
    axes: "Axes", checks: Sequence[ReferenceCheck], first_ns: int, **style: str
) -> None:
    days = [(one.at_utc_ns - first_ns) / _DAY_NS for one in checks]
    offsets = [one.offset_ppm for one in checks]
    spans = [COVERAGE * one.u_ppm for one in checks]
    axes.errorbar(days, offsets, yerr=spans, capsize=3, **style)  # type: ignore[arg-type]


def _in_words(counting: Sequence[ReferenceCheck], void: int) -> str:
    aside = f"Void, not counted: {void}. " * (void > 0)
    if not counting:
        return f"No check counts. {aside}The table has each."
    first, last = counting[0], counting[-1]
    if first is last:
        return f"One check, {_offset(first)} ppm. {aside}The table has each."
    days = (last.at_utc_ns - first.at_utc_ns) / _DAY_NS
    return (
        f"{len(counting)} checks over {three_digits(days)} days, from {_offset(first)} "
        f"ppm at first to {_offset(last)} ppm at last. {aside}The table has "
        "each."
    )


def _offset(check: ReferenceCheck) -> str:
    return signed_digits(check.offset_ppm)


def history_table(checks: Sequence[Numbered]) -> Table:
    """List checks; a voided one says so."""
    rows = [
        (
            number,
            (iso_utc(one.at_utc_ns) or "")[:19].replace("T", " "),
            format_ppm(one.offset_ppm, COVERAGE * one.u_ppm),
            format_u_ppm(COVERAGE * one.u_ppm),
            one.method if one.void is None else f"void ({one.void}); {one.method}",
        )
        for number, one in checks
    ]
    headers = ("Check", "UTC", "Offset, ppm", "U (95 %), ppm", "Method")
    return table("Checks of this instrument, the newest last", headers, rows, "rlrr")
