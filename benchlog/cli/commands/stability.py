"""`benchlog stability`: a deviation against averaging time."""

from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import click

from benchlog.cli.command import command as make_command
from benchlog.cli.database import chosen_run, reading
from benchlog.cli.printing import (
    pairs,
    print_json,
    print_text,
    say,
    table,
)
from benchlog.cli.tasks.studying import check_plot, plot_option
from benchlog.cli.typed_values import Duration, Durations, RunOrDevice
from benchlog.errors import UsageError
from benchlog.model import DEVIATIONS
from benchlog.units import printable

if TYPE_CHECKING:
    from benchlog.analysis.stability.estimation import Stability
    from benchlog.analysis.stability.stamp_noise import StampNoise
    from benchlog.model import Run

EXAMPLES = (
    "benchlog stability 12",
    "benchlog stability 12 --kind mdev --spacing decade --json",
    "benchlog stability 12 --tau 1s,10s,100s --plot KX-0412-adev.svg",
    "benchlog stability 12 --over-time --window 1h",
)
_LONG_MIN: Final = 0.5


@make_command("stability", examples=EXAMPLES)
@click.argument("run", type=RunOrDevice(), required=False, metavar="[RUN|DEVICE]")
@click.option(
    "--kind", type=click.Choice(DEVIATIONS), default="adev", show_default=True
)
@click.option(
    "--estimator",
    type=click.Choice(("overlapping", "plain")),
    default="overlapping",
    show_default=True,
)
@click.option(
    "--spacing",
    type=click.Choice(("octave", "decade", "every")),
    default="octave",
    show_default=True,
    help="Which averaging times.",
)
@click.option("--tau", "taus_s", type=Durations(), help="These averaging times.")
@click.option("--remove-drift", is_flag=True, help="Take a straight line off first.")
@click.option("--leave-out-outliers", is_flag=True, help="Without marked outliers.")
@click.option(
    "--over-time",
    is_flag=True,
    help="How it changed along the run: a map of averaging time and time.",
)
@click.option(
    "--window",
    type=Duration(),
    metavar="DURATION",
    help="With --over-time: over how long each deviation is [default: a twelfth].",
)
@plot_option
def command(run: int | str | None, db: Path | None, as_json: bool, **wish: Any) -> None:
    """Show how stable RUN (the latest if left out) is over averaging times.

    Each row has the deviation, its 95 % interval, from how many differences it is (n),
    and the noise named at that averaging time; a drift that dominates is named instead.
    Readings are never changed; outliers are left out only when asked. With --over-time
    the deviation is worked out in a window that moves along the run, and what changed
    more than chance would have it is told.
    """
    from benchlog.analysis.series import outliers
    from benchlog.evaluation.studies import series_of, stamps_of, with_stamps

    check_plot(wish["plot"])
    _check_over_time(wish)
    with reading(db) as reader:
        chosen = chosen_run(reader, run)
        series = series_of(reader, chosen)
        if wish["over_time"]:
            from benchlog.cli.tasks.stability_over_time import tell_over_time

            tell_over_time(reader, chosen, series, wish, as_json=as_json)
            return
    marked, stamps = outliers(series), stamps_of(chosen, series)
    found = with_stamps(_found(series, marked, wish), stamps)
    if wish["plot"]:
        from benchlog.plotting.result_pictures import plot_stability

        plot_stability([found], wish["plot"], _title(chosen, found))
    if as_json:
        print_json(document(chosen, found, int(marked.sum()), stamps), "stability")
    else:
        print_text(text(chosen, found, int(marked.sum()), wish))


def _check_over_time(wish: dict[str, Any]) -> None:
    """Raise UsageError for options that do not go together."""
    if wish["window"] is not None and not wish["over_time"]:
        raise UsageError("--window says how long a stretch of --over-time is")
    if not wish["over_time"]:
        return
    if wish["kind"] not in ("adev", "hdev"):
        raise UsageError(f"{wish['kind']} is not followed over time; adev or hdev is")
    if wish["taus_s"] or wish["estimator"] != "overlapping":
        raise UsageError("--over-time has its own averaging times and is overlapping")


def _found(series: Any, marked: Any, wish: dict[str, Any]) -> "Stability":
    from benchlog.analysis.series import without, without_drift
    from benchlog.analysis.stability.deviations import expected_s
    from benchlog.analysis.stability.estimation import DeviationRequest, stability

    if wish["leave_out_outliers"]:
        series = without(series, marked)
    if wish["remove_drift"]:
        series = without_drift(series)
    request = DeviationRequest(
        wish["estimator"], wish["spacing"], tuple(wish["taus_s"] or ())
    )
    minutes = expected_s(series, wish["kind"], request) / 60.0
    if minutes > _LONG_MIN:
        say(
            f"about {minutes:,.0f} min of computing; fewer averaging times (--spacing "
            "decade, --tau) or --kind totdev take less, Ctrl-C ends it"
        )
    return stability(series, wish["kind"], request)


def document(
    run: "Run", found: "Stability", outliers: int, stamps: "StampNoise | None" = None
) -> dict[str, Any]:
    """Return the JSON document: the contract's keys, then what a person should know.

    `stamps` is None for a run of readings.
    """
    return {
        "run": run.id,
        "kind": found.kind,
        "tau0_s": found.tau0_s,
        "rows": list(found.rows),
        "estimator": found.estimator,
        "missing": found.missing,
        "dead_time_s": found.dead_time_s,
        "outliers_marked": outliers,
        "stamps": stamps,
        "notes": list(found.notes),
        "simulated": run.simulated,
    }


def text(run: "Run", found: "Stability", outliers: int, wish: dict[str, Any]) -> str:
    """Return the result as a person reads it: heading, table, chart, notes."""
    from benchlog.evaluation.stability_table import (
        ALIGNED,
        stability_cells,
        stability_heads,
    )
    from benchlog.plotting.many_rows import for_table

    shown, notes = for_table(found.rows), list(found.notes)
    if len(shown) < len(found.rows):
        notes.append(
            f"{len(found.rows):,} averaging times: the table has {len(shown)} of them, "
            "the chart and --json have all"
        )
    rows = [stability_cells(row) for row in shown]
    if outliers:
        done = "left out" if wish["leave_out_outliers"] else "marked, not left out"
        notes.append(f"outliers: {outliers} {done}")
    parts = [
        _title(run, found),
        table(stability_heads(found.kind), rows, ALIGNED),
        _chart(found),
    ]
    parts.append(pairs([("note", "\n".join(notes))]) if notes else "")
    return "\n\n".join(part for part in parts if part)


def _chart(found: "Stability") -> str:
    from benchlog.plotting.many_rows import for_picture
    from benchlog.plotting.printed_chart import ChartShape, text_chart

    rows = for_picture(found.rows)
    if len(rows) < 2:
        return ""
    layers = [
        ([row.tau_s for row in rows], [getattr(row, name) or row.value for row in rows])
        for name in ("value", "low", "high")
    ]
    known = any(row.low is not None for row in rows)
    unit = f"{found.kind} with its interval" if known else found.kind
    return text_chart(layers, ChartShape(log=True, x_unit="s", y_unit=unit))  # type: ignore[arg-type]


def _title(run: "Run", found: "Stability") -> str:
    said = ", simulated" if run.simulated else ""
    device = printable(run.device)
    return f"{found.kind} ({found.estimator}) of {device}, run {run.id}{said}"
