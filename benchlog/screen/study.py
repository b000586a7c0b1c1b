"""What is shown of a run's stability, temperature law and ageing; no screen in here."""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

from benchlog.analysis.fitting.ageing import Ageing, Estimate
from benchlog.analysis.fitting.observations import (
    aged_ppm,
    temperature_view,
)
from benchlog.analysis.fitting.temperature import (
    TemperatureFit,
    fit_temperature,
    law_of,
)
from benchlog.analysis.series import outliers
from benchlog.analysis.stability.estimation import Stability, stability
from benchlog.errors import DataError
from benchlog.evaluation.response import supply_notes
from benchlog.evaluation.stability_table import (
    ALIGNED,
    stability_cells,
    stability_heads,
)
from benchlog.evaluation.studies import (
    ageing_of,
    level_temperature_data,
    series_of,
    stamps_of,
    with_stamps,
)
from benchlog.model import Run
from benchlog.plotting.graph import Graph, Layer
from benchlog.store.reader import Reader
from benchlog.units import (
    as_stated,
    format_duration,
    interval_texts,
    three_digits,
)

Array = NDArray[np.float64]

STUDY_VIEWS: Final = ("stability", "temperature", "ageing")
KINDS: Final = ("adev", "mdev", "hdev", "tdev", "totdev", "mtie")
"""Deviations to choose from; the slow ones are left to `benchlog stability`."""
_SLOPES: Final = {"white FM": -0.5, "flicker FM": 0.0, "random-walk FM": 0.5}
_GUIDES: Final = (
    "dotted: how it would go on under white FM (falling), flicker FM (level) and "
    "random-walk FM (rising)"
)
_IN_SECONDS: Final = ("tdev", "mtie")


@dataclass(frozen=True, slots=True)
class Study:
    """A view of a run: at most two graphs, a table, and what is to be known of it.

    `head` is one line; `said` are sentences.
    """

    head: str
    graphs: tuple[Graph, ...] = ()
    table: tuple[str, ...] = ()
    said: tuple[str, ...] = ()


def study(database: Path, run_id: int, view: str, kind: str) -> Study:
    """Work a view out; data that cannot give it are said in words.

    Raises StoreError and NotFoundError.
    """
    with Reader.open(database) as reader:
        run = reader.run(run_id)
        try:
            if view == "stability":
                return _stability(reader, run, kind)
            if view == "temperature":
                return _temperature(reader, run)
            return _ageing(reader, run)
        except DataError as error:
            return Study(view, said=(str(error),))


# --- stability -----------------------------------------------------------------------


def _stability(reader: Reader, run: Run, kind: str) -> Study:
    series = series_of(reader, run)
    marked = int(outliers(series).sum())
    found = with_stamps(stability(series, kind), stamps_of(run, series))
    said = [*found.notes]
    if marked:
        said.append(f"outliers: {marked} marked, not left out")
    if kind == "adev":
        said.append(_GUIDES)
    unit = ", s" if kind in _IN_SECONDS else ""
    title = f"{kind}{unit} against averaging time, s; bars are 95 % intervals"
    graph = Graph(title, _layers(found), log=True)
    head = f"stability: {kind}, {found.estimator} estimator, {len(series):,} values"
    return Study(head, (graph,), _rows(found), tuple(said))


def _layers(found: Stability) -> list[Layer]:
    rows = [row for row in found.rows if row.value]
    tau_s = np.array([row.tau_s for row in rows])
    value = np.array([row.value for row in rows], dtype=np.float64)
    low = np.array([row.low or row.value for row in rows], dtype=np.float64)
    high = np.array([row.high or row.value for row in rows], dtype=np.float64)
    guides = []
    if found.kind == "adev" and len(rows) > 1:
        ends = tau_s[[0, -1]]
        guides = [
            Layer(
                x=ends,
                y=value[0] * (ends / ends[0]) ** slope,
                role="label",
                how="guide",
            )
            for slope in _SLOPES.values()
        ]
    bars = Layer(x=tau_s, y=low, role="bar", how="bars", top=high)
    return [*guides, bars, Layer(x=tau_s, y=value, role="trace", how="marks")]


def _rows(found: Stability) -> tuple[str, ...]:
    cells = [stability_cells(row) for row in found.rows]
    return aligned([stability_heads(found.kind), *cells], ALIGNED)


# --- laws ----------------------------------------------------------------------------


def _temperature(reader: Reader, run: Run) -> Study:
    data, steps = level_temperature_data(reader, [run])
    limits = run.part.limits
    found = fit_temperature(
        data,
        law_of(run.part.kind),
        reference_c=limits.reference_c,
        limits=limits,
    )
    view = temperature_view(data, found)
    x = view.temperature_c
    lag = f", lagging {three_digits(found.lag_s)} s" if found.lag_s else ""
    graphs = _law_graphs(x, view.offset_ppm, view.law_ppm, f"ambient, C{lag}")
    head = (
        f"temperature: {found.law} about {as_stated(found.reference_c)} C, "
        f"{found.range_text}"
    )
    said = [f"r2 {found.r2:.4f}, {_left_over(found)}"]
    if found.promise is not None:
        said.append(found.promise.text)
    extra = [one for one in (found.turning_c,) if one is not None]
    rows = _estimates([*found.coefficients, *extra])
    moved = supply_notes(reader, [run])
    return Study(head, graphs, rows, (*moved, *steps, *said, *found.notes))


def _ageing(reader: Reader, run: Run) -> Study:
    aged = ageing_of(reader, [run])
    days, ppm, found = aged.days, aged.offset_ppm, aged.first
    graphs = _law_graphs(days, ppm, aged_ppm(days, ppm, found), "time, days")
    head = f"ageing: {found.law} law over {three_digits(found.span_days)} days"
    later = [
        far.why_not
        or "after {}: {} ppm, 95 % from {} to {}".format(far.after, *far.texts)
        for far in found.extrapolations
    ]
    rows = _estimates(found.coefficients)
    said = (found.choice, _left_over(found), *later, found.warning, aged.ambient)
    return Study(head, graphs, rows, (*aged.steps, *said))


def _law_graphs(x: Array, y: Array, law: Array, against: str) -> tuple[Graph, ...]:
    above = Graph(
        f"offset, ppm, and the law fitted, against {against}",
        [Layer(x=x, y=y), Layer(x=x, y=law, role="law", how="line")],
    )
    ends = np.array([x.min(), x.max()])
    zero = Layer(x=ends, y=np.zeros(2), role="law", how="line")
    below = Graph(f"residual, ppm, against {against}", [Layer(x=x, y=y - law), zero])
    return above, below


def _left_over(found: TemperatureFit | Ageing) -> str:
    over, left = format_duration(found.residual_over_s), found.residual_ppm_rms
    return f"residual {three_digits(left)} ppm rms in means over {over} ({found.noise})"


def _estimates(found: Sequence[Estimate]) -> tuple[str, ...]:
    cells = [("", "value", "95 % from", "to", "unit")]
    cells += [
        (one.name, *interval_texts(one.value, one.low, one.high), one.unit)
        for one in found
    ]
    return aligned(cells)


def aligned(cells: Sequence[tuple[str, ...]], how: str = "") -> tuple[str, ...]:
    """Align columns: `how` has r for right, l for left; the last one is words.

    Without `how` all others are figures, to the right.
    """
    how = how.ljust(len(cells[0]) - 1, "r")
    widths = [max(map(len, column)) for column in zip(*cells, strict=True)]
    return tuple(
        "  ".join(
            cell.ljust(w) if n == len(row) - 1 or how[n] == "l" else cell.rjust(w)
            for n, (cell, w) in enumerate(zip(row, widths, strict=True))
        ).rstrip()
        for row in cells
    )
