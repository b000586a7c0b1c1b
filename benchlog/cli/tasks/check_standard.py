"""A check standard: measured now and then, its control chart tells of a moved bench."""

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any, Final

import numpy as np

from benchlog.cli.printing import (
    pairs,
    print_json,
    print_text,
)
from benchlog.cli.tasks.headless import measure_in_lines
from benchlog.cli.tasks.planning import MeasureRequest, plans_of
from benchlog.errors import UsageError
from benchlog.evaluation.check_document import standard_document
from benchlog.evaluation.reference_finding import StandardPoint, standard_history
from benchlog.model import Purpose, Run
from benchlog.plotting.printed_chart import ChartShape, text_chart
from benchlog.store.reader import Reader
from benchlog.units import (
    NS_PER_S,
    SECONDS_PER_DAY,
    format_ppm,
    format_u_ppm,
    printable,
)
from benchlog.verdict.run.budget import COVERAGE
from benchlog.verdict.timebase.control_chart import ControlChart, control_chart

MOVED: Final = 3
_MOST: Final = 1000


def check_standard(typed: dict[str, Any], path: Path, as_json: bool) -> int:
    """Measure the standard, print its control chart; return the exit code.

    Raises UsageError when its part is not known yet, and what prevents the start.
    """
    device = typed["standard"]
    part = typed["part"] or _part_before(path, device)
    positions = () if typed["position"] is None else (typed["position"],)
    request = MeasureRequest(
        bench=typed["bench"],
        part=part,
        devices=(device,),
        positions=positions,
        for_s=typed["for_s"],
        operator=typed["operator"],
    )
    (plan,) = plans_of(request)
    plan = replace(plan, purpose=Purpose.REFCHECK)
    (run_id,) = measure_in_lines([plan], path, go_on=False)
    with Reader.open(path) as reader:
        run = reader.run(run_id)
        history = standard_history(reader, run)
    if not history or history[-1].run != run_id:
        raise UsageError(f"run {run_id} gave no offset; see `benchlog show {run_id}`")
    least = float(np.median([point.u_ppm for point in history])) / COVERAGE
    chart = control_chart([point.offset_ppm for point in history], least)
    if as_json:
        print_json(standard_document(run, history, chart), "check-standard")
    else:
        print_text(_text(run, history, chart))
    return MOVED if chart.moved else 0


def _part_before(path: Path, device: str) -> str:
    """Return the part that the standard was measured as. Raises UsageError."""
    if path.exists():
        with Reader.open(path) as reader:
            for run in reader.runs(device=device, limit=_MOST):
                if run.purpose is Purpose.REFCHECK:
                    return run.part.id
    raise UsageError(
        f"{device!r} was never measured as a check standard here: say with --part what "
        "it is"
    )


def _text(run: Run, history: Sequence[StandardPoint], chart: ControlChart) -> str:
    newest, u = history[-1], history[-1].u_ppm
    lines = [
        (
            "standard",
            f"{printable(run.device)}, run {run.id}, {chart.n} times measured",
        ),
        (
            "offset",
            f"{format_ppm(newest.offset_ppm, u)} +- {format_u_ppm(u)} ppm (95 %)",
        ),
    ]
    if chart.low is not None and chart.high is not None:
        sigma = chart.sigma or 0.0
        limits = (
            f"{format_ppm(chart.low, sigma)} to {format_ppm(chart.high, sigma)} ppm"
        )
        centre = f"centre {format_ppm(chart.centre, sigma)} ppm"
        lines.append(("control limits", f"{limits}, {centre}"))
        said = "THE BENCH HAS MOVED" if chart.moved else "not moved"
        lines.append(("bench", "\n".join([said, *chart.reasons])))
    else:
        lines.append(("bench", "\n".join(chart.reasons)))
    if run.simulated:
        lines.append(("note", "simulated data"))
    return "\n\n".join(part for part in (pairs(lines), _chart(history, chart)) if part)


def _chart(history: Sequence[StandardPoint], chart: ControlChart) -> str:
    """Draw the history with its limits as dotted lines."""
    if len(history) < 2:
        return ""
    began = history[0].utc_ns
    days = np.array([(p.utc_ns - began) / NS_PER_S / SECONDS_PER_DAY for p in history])
    layers = [(days, np.array([point.offset_ppm for point in history]))]
    across = np.linspace(0.0, float(days[-1]), 24)
    for level in (chart.low, chart.centre, chart.high):
        if level is not None:
            layers.append((across, np.full(len(across), level)))
    how = ChartShape(
        height=10, x_unit="days", y_unit="offset in ppm, with control limits"
    )
    return text_chart(layers, how)
