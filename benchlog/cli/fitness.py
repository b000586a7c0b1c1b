"""`benchlog fitness`: what a source is good for, and which sources a use wants."""

from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import click

from benchlog.cli.command import command as make_command
from benchlog.cli.database import chosen_run, reading
from benchlog.cli.printing import print_json, say, table
from benchlog.cli.progress import Progress
from benchlog.cli.values import Number, RunId, UseName
from benchlog.errors import ConfigError, UsageError

if TYPE_CHECKING:
    from benchlog.model import Part, Run, TemperatureLaw, Use
    from benchlog.store.reader import Reader
    from benchlog.verdict.judge import Assessment
    from benchlog.verdict.source import Conditions, Source

EXAMPLES: Final = (
    "benchlog fitness 12",
    "benchlog fitness 12 --horizon-years 10 --range-c -10 60 --json",
    "benchlog fitness 12 --need serial-x16 --other-end-ppm 20000",
    "benchlog fitness --need usb-full-speed",
)
_SAID: Final = {"fits": "✓ fits", "marginal": "? marginal", "unfit": "✗ unfit"}


@make_command("fitness", examples=EXAMPLES)
@click.argument("run", type=RunId(), required=False)
@click.option(
    "--need",
    type=UseName(),
    metavar="USE",
    help="Only this use or family (usb, serial-x16); lists the parts that would do.",
)
@click.option(
    "--horizon-years",
    type=Number(above=0),
    metavar="Y",
    help="Count ageing over so many years.",
)
@click.option(
    "--range-c",
    type=(Number(), Number()),
    metavar="LOW HIGH",
    help="Ambient temperature where it will work [default: the data sheet's range].",
)
@click.option(
    "--law-from",
    type=RunId(),
    metavar="RUN",
    help="Take the temperature law measured in that run, not the data sheet's promise.",
)
@click.option(
    "--other-end-ppm",
    type=Number(),
    metavar="X",
    help="How far the other end of a link is off [default: ideal; CAN: its limit].",
)
def command(run: int | None, db: Path | None, as_json: bool, **wish: Any) -> None:
    """Say what RUN's source (the latest run if left out) is good for.

    The worst case is the measured offset, its uncertainty, restlessness, temperature
    and ageing, all at their worst together, against what each use tolerates. With
    --need and no RUN, only the parts of the catalogue are listed by their promises.
    """
    uses = _uses(wish["need"])
    rows: list[dict[str, Any]] = []
    if run is not None or wish["need"] is None:
        with reading(db) as reader:
            rows += _of_run(reader, chosen_run(reader, run), uses, wish)
    elif wish["law_from"] is not None:
        raise UsageError("--law-from belongs to a measured RUN: name one")
    if wish["need"] is not None:
        rows += _of_parts(uses, wish)
    if as_json:
        print_json(rows)
    else:
        click.echo(text_of(rows))


def _uses(need: str | None) -> "tuple[Use, ...]":
    """Return the uses asked for; a file with problems is named on standard error."""
    from benchlog.catalogue import find_uses, list_uses

    if need is not None:
        return find_uses(need)
    uses, problems = list_uses()
    if problems and not uses:
        raise ConfigError(problems)
    for problem in problems:
        say(f"left out: {problem}")
    return uses


def _of_run(
    reader: "Reader", run: "Run", uses: "Iterable[Use]", wish: dict[str, Any]
) -> list[dict[str, Any]]:
    from benchlog.verdict.fitness import document_of, fitness
    from benchlog.verdict.source import measured_source

    assessment = _assessed(reader, run)
    where = _conditions(wish, _law(reader, wish["law_from"]))
    source = measured_source(run.device, run.part, assessment, where)
    _tell(run, assessment, source)
    found = fitness(uses, source, wish["other_end_ppm"])
    about = {
        "run": run.id,
        "device": run.device,
        "part": run.part.id,
        "kind": run.part.kind.value,
        "simulated": run.simulated or assessment.stats.simulated,
    }
    return [{**document_of(one), **about} for one in found]


def _of_parts(uses: "Iterable[Use]", wish: dict[str, Any]) -> list[dict[str, Any]]:
    from benchlog.catalogue import list_parts
    from benchlog.verdict.fitness import candidates, document_of

    parts, problems = list_parts()
    for problem in problems:
        say(f"left out: {problem}")
    where = _conditions(wish, None)
    return [
        {**document_of(one), **_about(part)}
        for use in uses
        for part, one in candidates(use, parts, where, wish["other_end_ppm"])
    ]


def _about(part: "Part") -> dict[str, Any]:
    return {"run": None, "device": None, "part": part.id, "kind": part.kind.value}


def _assessed(reader: "Reader", run: "Run") -> "Assessment":
    from benchlog.verdict import judge_for

    judge = judge_for(run)
    with Progress(f"reading run {run.id}", reader.count(run.id)) as progress:
        for columns in reader.chunks(run.id):
            judge.feed(columns)
            progress.add(len(columns))
    if judge.takes_pulses:
        judge.feed_pulses(reader.pulses_after(run.id))
    return judge.assessment()


def _conditions(wish: dict[str, Any], law: "TemperatureLaw | None") -> "Conditions":
    from benchlog.verdict.source import Conditions

    span = wish["range_c"]
    if span is not None and not span[0] < span[1]:
        raise UsageError(f"--range-c {span[0]:g} {span[1]:g}: the lower one first")
    return Conditions(range_c=span, horizon_years=wish["horizon_years"], law=law)


def _law(reader: "Reader", number: int | None) -> "TemperatureLaw | None":
    """Fit the temperature law of a run; say over which range it was measured."""
    if number is None:
        return None
    from benchlog.analysis.temperature import fit_temperature, law_of
    from benchlog.model import TemperatureLaw
    from benchlog.report.study import temperature_data

    run = reader.run(number)
    fit = fit_temperature(
        temperature_data(reader, [run]),
        law_of(run.part.kind),
        reference_c=run.part.limits.reference_c,
        limits=run.part.limits,
    )
    say(
        f"temperature law of run {number} ({run.device}), a {fit.law} measured from "
        f"{fit.low_c:.1f} to {fit.high_c:.1f} C; beyond, it is an extrapolation"
    )
    for note in fit.notes:
        say(f"note: {note}")
    values = [c.value for c in fit.coefficients]
    return TemperatureLaw(fit.law, fit.reference_c, *values)


def _tell(run: "Run", assessment: "Assessment", source: "Source") -> None:
    from benchlog.cli.figures import offset_text

    known = {
        "offset_ppm": assessment.offset_ppm,
        "u_ppm": assessment.u_ppm,
        "nominal_hz": run.nominal_hz,
    }
    simulated = ", simulated" if run.simulated else ""
    say(f"{run.device}, run {run.id}{simulated}: offset {offset_text(known)}")
    for note in source.notes:
        say(f"note: {note}")


def text_of(rows: Sequence[dict[str, Any]]) -> str:
    """Return the results as a person reads them: of the run, then of the parts."""
    runs = [row for row in rows if row["run"] is not None]
    parts = [row for row in rows if row["run"] is None]
    blocks = []
    if runs:
        blocks += [_table(runs, "use"), *_better(runs)]
    for use in dict.fromkeys(row["use"] for row in parts):
        of_use = [row for row in parts if row["use"] == use]
        head = of_use[0]
        blocks.append(f"{use}: {head['title']} ({head['source']}; {head['status']})")
        blocks.append(_table(of_use, "part"))
    return "\n\n".join(blocks)


def _table(rows: Sequence[dict[str, Any]], name: str) -> str:
    kind = name == "part"
    headers = (name, *(("kind",) if kind else ()), "allowed ppm", "worst ppm")
    cells = [
        (
            row[name],
            *((row["kind"],) if kind else ()),
            _four(row["tolerance_ppm"]),
            _four(row["worst_ppm"]),
            _margin(row["margin"]),
            _SAID[row["verdict"]],
            row["dominant"],
        )
        for row in rows
    ]
    right = "llrrr" if kind else "lrrr"
    return table((*headers, "left", "verdict", "mostly"), cells, right)


def _four(value: float) -> str:
    """Return four significant digits without an exponent."""
    from benchlog.units import decimals_for

    return f"{value:,.{min(4, decimals_for(abs(value) / 100))}f}" if value else "0"


def _margin(margin: float) -> str:
    if margin < -9.99:
        return "< -999 %"
    return f"{100 * margin:.0f} %"


def _better(rows: Sequence[dict[str, Any]]) -> list[str]:
    """Return what another divisor than the nominal frequency's would give."""
    lines = [
        f"{row['use']}: divisor {row['retuned']['divisor']}, chosen from the measured "
        f"frequency, would be {_four(row['retuned']['worst_ppm'])} ppm at worst "
        f"({row['retuned']['verdict']}) in place of {row['divisor']['divisor']}"
        for row in rows
        if row["retuned"] and row["retuned"]["divisor"] != row["divisor"]["divisor"]
    ]
    return ["\n".join(lines)] if lines else []
