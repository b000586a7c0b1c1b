"""`benchlog trim`: find the trim code that brings an RC oscillator closest."""

import math
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import click

from benchlog.cli import options
from benchlog.cli.command import command as make_command
from benchlog.cli.database import database
from benchlog.cli.printing import print_json, say, table
from benchlog.cli.typed_values import DeviceId, Text
from benchlog.units import format_ppm, format_u_ppm, printable, three_digits

if TYPE_CHECKING:
    from benchlog.analysis.trim_search import CodeResult
    from benchlog.model import Part, RunPlan
    from benchlog.recorder.trimming import Trimmed

_TWO_FIGURES: Final = (
    "the table is from the search; the figure above is of the best code as it was left "
    "set"
)
EXAMPLES = (
    "benchlog trim --bench corner-bench --part rc-8mhz-delivered --device RC-101",
    "benchlog trim --bench corner-bench --part rc-8mhz-delivered --device RC-101 \\",
    "    --start 87 --gate-s 0.05 --json",
)


@make_command("trim", examples=EXAMPLES)
@options.bench
@options.part
@click.option("--device", required=True, type=DeviceId(), help="The id on the device.")
@click.option("--position", type=Text(), help="Where it sits, if there are several.")
@click.option("--start", type=click.IntRange(0), help="Code to begin at.")
@options.gate
@options.operator
@options.note
def command(db: Path | None, as_json: bool, **typed: Any) -> None:
    """Search the trim code that brings a device closest to nominal.

    The register need not be monotonic; only codes that the part file calls safe are
    set, and the search steps back where the chip gets too fast to be trusted. The best
    code is left set, and nothing is written to permanent memory: burn it yourself, as
    the chip's manual says.
    """
    from benchlog.clock import host_clock
    from benchlog.recorder.trimming import trim

    plan = _plan(typed)
    found = trim(plan, database(db), host_clock(), tell=_tell, start=typed["start"])
    if as_json:
        print_json(document(plan, found), "trim")
    else:
        click.echo(text(plan, found))


def _plan(typed: dict[str, Any]) -> "RunPlan":
    from dataclasses import replace

    from benchlog.cli.tasks.bench_and_part import recalled, required
    from benchlog.cli.tasks.planning import MeasureRequest, plans_of, require_readings
    from benchlog.model import Purpose

    positions = (typed["position"],) if typed["position"] else ()
    found = recalled(bench=typed["bench"], part=typed["part"])
    required(bench=found.bench, part=found.part)
    assert found.bench is not None and found.part is not None
    request = MeasureRequest(
        bench=found.bench,
        part=found.part,
        devices=(typed["device"],),
        positions=positions,
        operator=typed["operator"],
        note=typed["note"],
        gate_s=typed["gate_s"],
    )
    (plan,) = plans_of(request)
    require_readings(plan.bench, [plan.position], "trim")
    endless = {"until_clear": False, "max_readings": None, "max_s": None}
    return replace(plan, purpose=Purpose.TRIM, **endless)  # type: ignore[arg-type]


def _tell(told: Any) -> None:
    if told.event is not None and told.event.kind not in ("started", "ended"):
        say(told.event.text)


def document(plan: "RunPlan", found: "Trimmed") -> dict[str, Any]:
    """Return the JSON document: the contract's keys first."""
    return {
        "device": plan.device,
        "best_code": found.best.code,
        "offset_ppm": found.offset_ppm,
        "step_ppm": found.step_ppm,
        "table": list(found.table),
        "u_ppm": found.u_ppm,
        "steps": found.steps,
        "run": found.run,
        "part": plan.part.id,
    }


def text(plan: "RunPlan", found: "Trimmed") -> str:
    """Return the result as a person reads it: best code, table, curve."""
    best = found.best
    rows = [
        (
            str(one.code),
            format_ppm(one.offset_ppm, one.u_ppm),
            str(one.times),
            "best" if one.code == best.code else _beside(plan.part, one, best),
        )
        for one in found.table
    ]
    head = (
        f"{printable(plan.device)}: best code {best.code}, "
        f"{format_ppm(found.offset_ppm, found.u_ppm)} +- "
        f"{format_u_ppm(found.u_ppm)} ppm (95 %), "
        f"found in {found.steps} measurements, run {found.run}"
    )
    step = ""
    if found.step_ppm:
        step = f"one code is about {three_digits(found.step_ppm)} ppm"
    burn = (
        "the code is set until the next reset; nothing was written to permanent memory"
    )
    listed = table(("code", "offset ppm", "times", ""), rows, "rrr")
    listed += f"\n{_TWO_FIGURES}"
    return "\n\n".join(
        (head, listed, _curve(found), "\n".join(filter(None, (step, burn))))
    )


def _beside(part: "Part", one: "CodeResult", best: "CodeResult") -> str:
    """Say of another code what keeps it from being the best, if anything does."""
    if abs(one.offset_ppm) > part.limits.tolerance_ppm:
        return "beyond tolerance"
    apart = abs(one.offset_ppm) - abs(best.offset_ppm)
    from benchlog.verdict.run.budget import COVERAGE

    u_ppm = COVERAGE * math.hypot(one.u_ppm, best.u_ppm)
    return "as good, for all that can be told" if apart <= u_ppm else ""


def _curve(found: "Trimmed") -> str:
    import numpy as np

    from benchlog.plotting.printed_chart import ChartShape, text_chart

    codes = np.array([float(one.code) for one in found.table])
    offsets = np.array([one.offset_ppm for one in found.table])
    return text_chart(
        [(codes, offsets)], ChartShape(x_unit="code", y_unit="offset, ppm")
    )
