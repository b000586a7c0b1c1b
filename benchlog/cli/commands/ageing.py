"""`benchlog ageing`: how offset drifts with time, and what that comes to in years."""

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from benchlog.cli.command import command as make_command
from benchlog.cli.database import reading
from benchlog.cli.printing import (
    pairs,
    print_json,
    print_text,
    table,
)
from benchlog.cli.tasks.studying import (
    check_plot,
    chosen_runs,
    estimate_rows,
    plot_option,
)
from benchlog.cli.typed_values import RunOrDevice
from benchlog.units import SECONDS_PER_DAY, format_duration, printable, three_digits

if TYPE_CHECKING:
    from benchlog.analysis.fitting.ageing import Ageing
    from benchlog.analysis.fitting.ageing_beside_ambient import AgeingBesideAmbient
    from benchlog.model import Run

EXAMPLES = (
    "benchlog ageing 12",
    "benchlog ageing KX-0412",
    "benchlog ageing 12 19 27 --json",
    "benchlog ageing 12 --plot KX-0412-ageing.svg",
)


@make_command("ageing", examples=EXAMPLES)
@click.argument("run", type=RunOrDevice(), nargs=-1, metavar="[RUN|DEVICE]...")
@plot_option
def command(
    run: tuple[int | str, ...], db: Path | None, as_json: bool, **wish: Any
) -> None:
    """Fit drift of RUN (several of one device, or the latest): linear, logarithmic.

    What ambient did is taken out first, by the usual temperature law of the part's
    kind; where it cannot be told from drift, a note says so.
    The law that the data prefer comes first, and whether they prefer it. The change
    after 1 and 10 years is an extrapolation, with its interval and a warning; a year
    ahead wants a day of data, ten years ten days, else it is not stated.
    """
    from benchlog.evaluation.studies import ageing_of

    check_plot(wish["plot"])
    with reading(db) as reader:
        runs = chosen_runs(reader, run)
        found = ageing_of(reader, runs)
    days, ppm = found.days, found.offset_ppm
    if wish["plot"]:
        _plot(days, ppm, found.first, runs, wish["plot"])
    if as_json:
        print_json(document(runs, found), "ageing")
    else:
        chart = _chart(days, ppm)
        print_text("\n\n".join((text(runs, found), _other(found.second), chart)))


def document(runs: "list[Run]", aged: "AgeingBesideAmbient") -> dict[str, Any]:
    """Return the JSON document of the preferred law, the other one under `other`."""
    first, second = aged.first, aged.second
    return {
        "runs": [run.id for run in runs],
        "device": runs[0].device,
        **_law(first),
        "choice": first.choice,
        "warning": first.warning,
        "ambient": aged.ambient,
        "steps": list(aged.steps),
        "other": _law(second),
        "simulated": any(run.simulated for run in runs),
    }


def _law(found: "Ageing") -> dict[str, Any]:
    return {
        "law": found.law,
        "coefficients": {c.name: c.value for c in found.coefficients},
        "u": {c.name: c.u for c in found.coefficients},
        "r2": found.r2,
        "intervals": {c.name: [c.low, c.high] for c in found.coefficients},
        "units": {c.name: c.unit for c in found.coefficients},
        "extrapolations": list(found.extrapolations),
        "residual_ppm_rms": found.residual_ppm_rms,
        "residual_over_s": found.residual_over_s,
        "noise": found.noise,
        "span_days": found.span_days,
    }


def text(runs: "list[Run]", aged: "AgeingBesideAmbient") -> str:
    """Return the preferred law as a person reads it."""
    found = aged.first
    lasts = format_duration(found.span_days * SECONDS_PER_DAY)
    head = f"ageing of {printable(runs[0].device)}: {found.law} law over {lasts}"
    why_not = [far.why_not for far in found.extrapolations if far.why_not]
    left = (
        f"{three_digits(found.residual_ppm_rms)} ppm rms in means over "
        f"{format_duration(found.residual_over_s)} ({found.noise})"
    )
    said = [("law", found.choice), ("residual", left)]
    said.append(
        ("note", "\n".join([*aged.steps, *why_not, found.warning, aged.ambient]))
    )
    parts = (head, estimate_rows(found.coefficients), _ahead(found), pairs(said))
    return "\n\n".join(part for part in parts if part)


def _ahead(found: "Ageing") -> str:
    """Return the changes that are stated as a table, empty where none is."""
    later = [(far.after, *far.texts) for far in found.extrapolations if not far.why_not]
    headers = ("after", "change ppm", "95 % from", "to")
    return table(headers, later, "rrrr") if later else ""


def _other(found: "Ageing") -> str:
    return f"the other law, {found.law}:\n{estimate_rows(found.coefficients)}"


def _chart(days: Any, ppm: Any) -> str:
    from benchlog.plotting.printed_chart import ChartShape, text_chart

    return text_chart([(days, ppm)], ChartShape(x_unit="days", y_unit="offset, ppm"))


def _plot(days: Any, ppm: Any, found: "Ageing", runs: "list[Run]", path: Path) -> None:
    from benchlog.analysis.fitting.observations import aged_ppm
    from benchlog.plotting.result_pictures import plot_law

    plot_law(
        days,
        ppm,
        aged_ppm(days, ppm, found),
        path,
        title=f"{printable(runs[0].device)}: offset against time, {found.law} law",
        x_label="days",
    )
