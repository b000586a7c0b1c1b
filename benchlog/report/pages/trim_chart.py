"""The curve of a trim: offset against code, from what the run told of each code."""

import re
from collections.abc import Iterable
from typing import Final

from benchlog.model import Event, EventKind
from benchlog.report.pages.content import Chart, Table, table
from benchlog.report.plotting import ACCENT, INK, new_figure

_CODE: Final = re.compile(r"code (\d+): ([-+]?[\d,]+(?:\.\d+)?) ppm")


def codes_of(events: Iterable[Event]) -> dict[int, tuple[float, str]]:
    """Return offset in ppm, and as it was said, of each code that was measured."""
    found = {}
    for event in events:
        told = _CODE.fullmatch(event.text) if event.kind == EventKind.TRIM else None
        if told is not None:
            said = told.group(2)
            found[int(told.group(1))] = (float(said.replace(",", "")), said)
    return dict(sorted(found.items()))


def trim_chart(codes: dict[int, tuple[float, str]], limit_ppm: float) -> Chart | None:
    """Draw offset against trim code; None below two codes."""
    if len(codes) < 2:
        return None
    best = min(codes, key=lambda code: abs(codes[code][0]))
    figure, (axes,) = new_figure(size=(7.2, 3.2))
    offsets = [offset for offset, _ in codes.values()]
    axes.plot(list(codes), offsets, "o-", color=INK, linewidth=0.9, markersize=4)
    axes.plot([best], [codes[best][0]], "D", color=ACCENT, markersize=8)
    axes.axhline(0.0, color=ACCENT, linewidth=0.8)
    axes.set(xlabel="trim code", ylabel="offset, ppm")
    return Chart(
        f"Offset against trim code; the best, {best}, is marked",
        f"{len(codes)} codes from {min(codes)} to {max(codes)} were measured; offsets "
        f"from {min(offsets):,.4g} to {max(offsets):,.4g} ppm; code {best} comes "
        f"closest with {codes[best][1]} ppm. The tolerance is {limit_ppm:,.10g} ppm.",
        figure,
    )


def trim_table(codes: dict[int, tuple[float, str]]) -> Table:
    """Return the codes measured, as figures."""
    rows = [(code, said) for code, (_, said) in codes.items()]
    return table(
        "Codes measured, the newest figure of each", ("Code", "Offset, ppm"), rows, "rr"
    )
