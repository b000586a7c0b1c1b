"""`benchlog trim`: find the trim code that brings an RC oscillator closest."""

import math
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import click

from benchlog.cli import options
from benchlog.cli.command import command as make_command
from benchlog.cli.database import database, reading
from benchlog.cli.printing import pairs, print_json, print_text, table
from benchlog.cli.typed_values import DeviceId, Text
from benchlog.errors import UsageError
from benchlog.units import format_ppm, format_u_ppm, printable, three_digits

if TYPE_CHECKING:
    from benchlog.analysis.trim_search import CodeResult
    from benchlog.evaluation.run_evaluation import Evaluation
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
    "benchlog trim --bench corner-bench --part rc-8mhz-delivered --lot R2207 \\",
    "    --ids ids.txt",
    "benchlog trim --lot R2207 --ids - < ids.txt",
    "benchlog trim --lot R2207 --out codes.csv",
)


@make_command("trim", examples=EXAMPLES)
@options.bench
@options.part
@click.option("--device", type=DeviceId(), help="The id on the device.")
@click.option("--lot", type=Text(), help="Trim the devices of a lot, one by one.")
@click.option(
    "--ids",
    type=click.Path(path_type=Path, dir_okay=False, exists=True, allow_dash=True),
    help="With --lot: device ids, one a line; - is standard input. An id means: it is "
    "in.",
)
@click.option(
    "--auto-ids", type=Text(), metavar="PREFIX", help="With --lot: number the devices."
)
@click.option("--again", is_flag=True, help="With --lot: trim undecided devices again.")
@click.option(
    "--position",
    "positions",
    type=Text(),
    multiple=True,
    help="Where it sits, if there are several; of a lot [all with a trimmer].",
)
@click.option("--start", type=click.IntRange(0), help="Code to begin at.")
@options.gate
@options.operator
@options.note
@options.no_screen
@click.option(
    "--bell", is_flag=True, help="Ring once for pass, twice for fail, thrice otherwise."
)
@click.option(
    "--burn",
    is_flag=True,
    help="Make each code permanent by the program in the bench file's [burn].",
)
@click.option("--yes", is_flag=True, help="With --burn: ask nobody.")
@click.option(
    "--result", is_flag=True, help="Show how the lot stands; measure nothing."
)
@click.option(
    "--csv", "as_csv", is_flag=True, help="device,code of those that were brought in."
)
@click.option(
    "--out",
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="FILE",
    help="Write device,code to a new file, for a programmer.",
)
@click.option("--overwrite", is_flag=True, help="Replace a file that exists.")
@click.pass_context
def command(
    ctx: click.Context, /, db: Path | None, as_json: bool, **typed: Any
) -> None:
    """Search the trim code that brings a device closest to nominal.

    The register need not be monotonic; only codes that the part file calls safe are
    set, and the search steps back where the chip gets too fast to be trusted. The best
    code is left set, and nothing is written to permanent memory: burn it yourself, as
    the chip's manual says.

    With --lot one device after the other is trimmed, as `inspect` measures a lot; the
    same command goes on where it stopped. --burn makes the codes permanent.

    Exit code: 0 within its tolerance with the best code, 3 beyond, 4 undecided or
    interrupted. With --lot: 0 all brought in, 3 some failed, 4 some are open.
    """
    do = _line if typed["device"] is None else _one
    ctx.exit(do(typed, database(db), as_json=as_json))


_OF_A_LINE: Final = (
    *("lot", "ids", "auto_ids", "again", "bell", "burn", "yes"),
    *("result", "as_csv", "out", "overwrite"),
)
"""What is typed for the devices of a lot. One device has no screen at all."""


def _line(typed: dict[str, Any], db: Path, *, as_json: bool) -> int:
    from benchlog.cli.tasks.trimming.line import LineManner, LineWish, trim_line

    if typed["lot"] is None:
        raise UsageError("give --device for one device, or --lot for those of a lot")
    manner = {
        name: typed[name]
        for name in ("no_screen", "bell", "result", "as_csv", "out", "overwrite", "yes")
    }
    rest = {k: v for k, v in typed.items() if k not in (*manner, "device")}
    return trim_line(LineWish(**rest), db, LineManner(as_json=as_json, **manner))


def _one(typed: dict[str, Any], db: Path, *, as_json: bool) -> int:
    odd = next((name for name in _OF_A_LINE if typed[name]), None)
    if odd is not None:
        name = "csv" if odd == "as_csv" else odd.replace("_", "-")
        raise UsageError(f"--{name} is for the devices of a lot: leave --device out")
    from benchlog.cli.narrator import Narrator
    from benchlog.cli.run_result import evaluated, exit_code
    from benchlog.clock import host_clock
    from benchlog.model import Decision
    from benchlog.recorder.trimming import trim

    plan = _plan(typed)
    with Narrator() as narrator:

        def tell(told: Any) -> None:
            if told.event is not None and told.event.kind not in ("started", "ended"):
                narrator.say(told.event.text)

        found = trim(plan, db, host_clock(), tell=tell, start=typed["start"])
    with reading(db) as reader:
        evaluation = evaluated(reader, found.run)
    if as_json:
        print_json(document(plan, found), "trim")
    else:
        print_text(text(plan, found, evaluation))
    undecided = found.best is None
    return exit_code([Decision.UNDECIDED if undecided else evaluation.decision])


def _plan(typed: dict[str, Any]) -> "RunPlan":
    from dataclasses import replace

    from benchlog.cli.tasks.bench_and_part import recalled, required
    from benchlog.cli.tasks.planning import MeasureRequest, plans_of, require_readings
    from benchlog.model import Purpose

    found = recalled(bench=typed["bench"], part=typed["part"])
    required(bench=found.bench, part=found.part)
    assert found.bench is not None and found.part is not None
    request = MeasureRequest(
        bench=found.bench,
        part=found.part,
        devices=(typed["device"],),
        positions=typed["positions"],
        operator=typed["operator"],
        note=typed["note"],
        gate_s=typed["gate_s"],
    )
    (plan,) = plans_of(request)
    require_readings(plan.bench, [plan.position], "trim")
    endless = {"until_clear": False, "max_readings": None, "max_s": None}
    return replace(plan, purpose=Purpose.TRIM, **endless)  # type: ignore[arg-type]


def document(plan: "RunPlan", found: "Trimmed") -> dict[str, Any]:
    """Return the JSON document: the contract's keys first."""
    best = found.best
    return {
        "device": plan.device,
        "best_code": None if best is None else best.code,
        "offset_ppm": None if best is None else found.offset_ppm,
        "step_ppm": found.step_ppm,
        "table": list(found.table),
        "u_ppm": None if best is None else found.u_ppm,
        "steps": found.steps,
        "run": found.run,
        "part": plan.part.id,
    }


def text(plan: "RunPlan", found: "Trimmed", evaluation: "Evaluation") -> str:
    """Return the result as a person reads it: best code, verdict, table, curve."""
    rows = [
        (
            str(one.code),
            format_ppm(one.offset_ppm, one.u_ppm),
            str(one.times),
            _beside(plan.part, one, found.best),
        )
        for one in found.table
    ]
    listed = table(("code", "offset ppm", "times", ""), rows, "rrr") if rows else ""
    if found.best is None:
        return "\n\n".join(filter(None, (_cut_short(plan, found), listed)))
    head = (
        f"{printable(plan.device)}: best code {found.best.code}, "
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
    verdict = _verdict(plan.part, evaluation)
    listed += f"\n{_TWO_FIGURES}"
    last = "\n".join(filter(None, (step, burn)))
    return "\n\n".join((head, verdict, listed, _curve(found), last))


def _cut_short(plan: "RunPlan", found: "Trimmed") -> str:
    said = f"{printable(plan.device)}: no best code, run {found.run} was ended before"
    if found.code_set is None:
        return f"{said}; no code was set"
    return f"{said}; code {found.code_set} is set now: trim it again"


def _verdict(part: "Part", evaluation: "Evaluation") -> str:
    """Return the verdict on the code that was left set, and what can be done."""
    from benchlog.evaluation.verdict_wording import verdict_text
    from benchlog.model import Decision

    said, found = [verdict_text(evaluation)], evaluation.assessment
    if evaluation.decision is Decision.UNDECIDED:
        said.append("measure it again with this code: `benchlog measure`")
    elif _is_beyond(part, found.offset_ppm, found.u_ppm):
        assert part.trim is not None
        safe = ", ".join(f"{low} to {high}" for low, high in part.trim.safe)
        said.append(
            f"no such code was found among those that the part file allows ({safe}): "
            "the chip cannot be trimmed, unless its data sheet allows more"
        )
    return pairs((("verdict", "\n".join(said)),))


def _is_beyond(part: "Part", offset_ppm: float | None, u_ppm: float | None) -> bool:
    if offset_ppm is None or u_ppm is None:
        return False
    return abs(offset_ppm) - u_ppm > part.limits.tolerance_ppm


def _beside(part: "Part", one: "CodeResult", best: "CodeResult | None") -> str:
    """Say which code is the best, and what keeps another one from being it."""
    beyond = abs(one.offset_ppm) > part.limits.tolerance_ppm
    if best is not None and one.code == best.code:
        return "best, but beyond tolerance" if beyond else "best"
    if beyond or best is None:
        return "beyond tolerance" if beyond else ""
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
