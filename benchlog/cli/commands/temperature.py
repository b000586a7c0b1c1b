"""`benchlog temperature`: the law by which offset follows ambient."""

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from benchlog.cli.command import command as make_command
from benchlog.cli.database import reading
from benchlog.cli.printing import (
    print_json,
    print_text,
)
from benchlog.cli.tasks.studying import (
    check_plot,
    chosen_runs,
    estimate_rows,
    plot_option,
)
from benchlog.cli.typed_values import RunOrDevice
from benchlog.units import (
    as_stated,
    format_duration,
    printable,
    three_digits,
)

if TYPE_CHECKING:
    from benchlog.analysis.fitting.observations import TemperatureView
    from benchlog.analysis.fitting.temperature import TemperatureFit
    from benchlog.model import Run

EXAMPLES = (
    "benchlog temperature 12",
    "benchlog temperature 12 13 14 --law parabola --with-ageing",
    "benchlog temperature 12 --plot KX-0412-temperature.svg --json",
)


@make_command("temperature", examples=EXAMPLES)
@click.argument("run", type=RunOrDevice(), nargs=-1, metavar="[RUN|DEVICE]...")
@click.option(
    "--law",
    type=click.Choice(("line", "parabola", "cubic")),
    help="Else the usual one of the part's kind.",
)
@click.option("--with-ageing", is_flag=True, help="Fit a drift over time, too.")
@plot_option
def command(
    run: tuple[int | str, ...], db: Path | None, as_json: bool, **wish: Any
) -> None:
    """Fit how RUN (several of one device, or the latest) follows ambient.

    Thermal lag is allowed for; a step that was found is taken off. The
    part's promise over its range is checked where it was measured, and extrapolated
    with a warning where it was not.
    """
    from benchlog.analysis.fitting.observations import temperature_view
    from benchlog.analysis.fitting.temperature import fit_temperature, law_of
    from benchlog.evaluation.response import supply_notes
    from benchlog.evaluation.studies import level_temperature_data

    check_plot(wish["plot"])
    with reading(db) as reader:
        runs = chosen_runs(reader, run)
        data, steps = level_temperature_data(reader, runs)
        moved = supply_notes(reader, runs)
    part = runs[0].part
    found = fit_temperature(
        data,
        wish["law"] or law_of(part.kind),
        reference_c=part.limits.reference_c,
        with_ageing=wish["with_ageing"],
        limits=part.limits,
    )
    found = replace(found, notes=(*moved, *steps, *found.notes))
    if wish["plot"]:
        _plot(temperature_view(data, found), found, runs, wish["plot"])
    if as_json:
        print_json(document(runs, found), "temperature")
    else:
        print_text(text(runs, found) + "\n\n" + _chart(temperature_view(data, found)))


def document(runs: "list[Run]", found: "TemperatureFit") -> dict[str, Any]:
    """Return the JSON document; `coefficients` and `u` by name, as scripts rely on."""
    return {
        "runs": [run.id for run in runs],
        "device": runs[0].device,
        "law": found.law,
        "coefficients": {c.name: c.value for c in found.coefficients},
        "u": {c.name: c.u for c in found.coefficients},
        "r2": found.r2,
        "intervals": {c.name: [c.low, c.high] for c in found.coefficients},
        "units": {c.name: c.unit for c in found.coefficients},
        "reference_c": found.reference_c,
        "ageing": found.ageing,
        "turning_c": found.turning_c,
        "lag_s": found.lag_s,
        "range_c": [found.low_c, found.high_c],
        "ambient_c": list(found.ambient_c),
        "residual_ppm_rms": found.residual_ppm_rms,
        "residual_over_s": found.residual_over_s,
        "noise": found.noise,
        "promise": found.promise,
        "notes": list(found.notes),
        "simulated": any(run.simulated for run in runs),
    }


def text(runs: "list[Run]", found: "TemperatureFit") -> str:
    """Return the result as a person reads it."""
    extra = [one for one in (found.ageing, found.turning_c) if one is not None]
    head = (
        f"temperature law of {printable(runs[0].device)}: {found.law} about "
        f"{as_stated(found.reference_c)} C, {found.range_text}"
    )
    lines = [
        f"thermal lag {three_digits(found.lag_s)} s, r2 {found.r2:.4f}, residual "
        f"{three_digits(found.residual_ppm_rms)} ppm rms in means over "
        f"{format_duration(found.residual_over_s)} ({found.noise})"
    ]
    if found.promise is not None:
        lines.append(found.promise.text)
    lines += [f"- {note}" for note in found.notes]
    return "\n\n".join(
        (head, estimate_rows([*found.coefficients, *extra]), "\n".join(lines))
    )


def _chart(view: "TemperatureView") -> str:
    from benchlog.plotting.printed_chart import ChartShape, text_chart

    chart = ChartShape(x_unit="C", y_unit="offset, ppm")
    return text_chart([(view.temperature_c, view.offset_ppm)], chart)


def _plot(
    view: "TemperatureView", found: "TemperatureFit", runs: "list[Run]", path: Path
) -> None:
    from benchlog.plotting.result_pictures import plot_law

    lag = f", lagging {three_digits(found.lag_s)} s" if found.lag_s else ""
    plot_law(
        view.temperature_c,
        view.offset_ppm,
        view.law_ppm,
        path,
        title=f"{printable(runs[0].device)}: offset against temperature, {found.law}",
        x_label=f"ambient, C{lag}",
    )
