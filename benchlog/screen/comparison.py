"""What is shown of runs side by side: courses, stability; no screen in here."""

from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Final

import numpy as np

from benchlog.analysis.thinning import ThinnedRun, trace_of
from benchlog.evaluation.brief_wording import UNKNOWN, signs
from benchlog.evaluation.comparison import (
    RunSide,
    differences,
    sides_of,
    stability_of,
)
from benchlog.model import DOES_NOT_COUNT
from benchlog.plotting.graph import Graph, Layer
from benchlog.screen.figures import not_counted, verdict_text
from benchlog.screen.study import Study, aligned
from benchlog.store.reader import Reader
from benchlog.units import (
    format_ppm,
    format_u_ppm,
    three_digits,
)
from benchlog.verdict.run.comparison import (
    Difference,
    delta_text,
    in_words,
    notes_together,
    ratio_text,
)

COMPARISON_VIEWS: Final = ("course", "stability")
MOST: Final = 3
"""More runs than these cannot be told apart in one picture of dots."""
_LOOKS: Final = (("trace", "line"), ("law", "dots"), ("label", "marks"))
_LONG_S: Final = 7200.0


def compared(database: Path, run_ids: Sequence[int], view: str) -> Study:
    """Work out how runs compare with the first of them, as one view shows it.

    Raises StoreError, NotFoundError.
    """
    with Reader.open(database) as reader:
        sides = sides_of(reader, [reader.run(run_id) for run_id in run_ids])
    found = differences(sides)
    graph = _courses(sides) if view == "course" else _stabilities(sides)
    others = ", ".join(str(one.run.id) for one in sides[1:])
    return Study(
        f"{view}: run {others} against run {sides[0].run.id}",
        () if graph is None else (graph,),
        (*_runs(sides), "", *_differences(found)),
        tuple(_said(found)),
    )


def _said(found: Sequence[Difference]) -> Iterator[str]:
    for one in found:
        delta = delta_text(one.delta_ppm, one.budget)
        yield f"run {one.b.run} - {one.a.run}: {delta}; " + "; ".join(in_words(one))
    yield from notes_together(found)


# --- tables --------------------------------------------------------------------------


def _runs(sides: Sequence[RunSide]) -> tuple[str, ...]:
    cells = [
        ("run", "offset ppm", "U ppm", "jitter ppm", "readings", "verdict, device")
    ]
    for one in sides:
        found = one.evaluation.assessment
        rms = found.stats.jitter_ppm_rms
        verdict = verdict_text(one.evaluation.decision)
        if not_counted(one.run):
            verdict = DOES_NOT_COUNT
        cells.append(
            (
                str(one.run.id),
                format_ppm(found.offset_ppm, found.u_ppm),
                format_u_ppm(found.u_ppm),
                UNKNOWN if rms is None else three_digits(rms),
                f"{found.stats.n:,}",
                f"{verdict or UNKNOWN}, {one.run.device}",
            )
        )
    return aligned(cells)


def _differences(found: Sequence[Difference]) -> tuple[str, ...]:
    cells = [("runs", "offset", "farther from nominal", "scatter, ratio (95 %)")]
    for one in found:
        cells.append(
            (
                f"{one.b.run} - {one.a.run}",
                signs(delta_text(one.delta_ppm, one.budget)),
                signs(delta_text(one.farther_ppm, one.farther_budget)),
                signs(ratio_text(one)),
            )
        )
    return aligned(cells)


# --- graphs --------------------------------------------------------------------------


def _courses(sides: Sequence[RunSide]) -> Graph | None:
    traces = [trace_of(one.corrected) for one in sides if len(one.columns)]
    if not traces:
        return None
    is_long = max(float(trace.t_s[-1]) for trace in traces) > _LONG_S
    worth_s, unit = (3600.0, "h") if is_long else (1.0, "s")
    known = [one for one in sides if len(one.columns)]
    layers = [
        _course(trace, worth_s, *look)
        for trace, look in zip(traces, _LOOKS, strict=False)
    ]
    title = f"offset, ppm, against {unit} since each first reading; {_legend(known)}"
    return Graph(title, layers)


def _course(trace: ThinnedRun, worth_s: float, role: str, how: str) -> Layer:
    t = trace.t_s / worth_s
    if trace.thinned:
        return Layer(x=t, y=trace.low_ppm, role=role, how="bars", top=trace.high_ppm)
    return Layer(x=t, y=trace.mean_ppm, role=role, how=how)


def _stabilities(sides: Sequence[RunSide]) -> Graph | None:
    layers, known = [], []
    for one, (role, how) in zip(sides, _LOOKS, strict=False):
        found = stability_of(one)
        if found is None:
            continue
        rows = [row for row in found.rows if row.value]
        tau_s = np.array([row.tau_s for row in rows])
        value = np.array([row.value for row in rows], dtype=np.float64)
        layers.append(Layer(x=tau_s, y=value, role=role, how=how))
        known.append(one)
    if not layers:
        return None
    title = f"Allan deviation against averaging time, s; {_legend(known)}"
    return Graph(title, layers, log=True)


def _legend(sides: Sequence[RunSide]) -> str:
    looks = zip(sides, _LOOKS, strict=False)
    return ", ".join(f"run {one.run.id} {how}" for one, (_, how) in looks)
