"""`benchlog fitness`: what a source is good for, and which sources a use wants."""

import shlex
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import click

from benchlog.cli.command import command as make_command
from benchlog.cli.database import chosen_run, reading
from benchlog.cli.printing import (
    print_json,
    print_text,
    say,
)
from benchlog.cli.run_result import evaluated
from benchlog.cli.typed_values import (
    CatalogueName,
    FiniteNumber,
    RunOrDevice,
    Text,
    UseName,
)
from benchlog.errors import ConfigError, DataError, UsageError
from benchlog.units import (
    as_stated,
    printable,
)

if TYPE_CHECKING:
    from benchlog.cli.tasks.fitness_text import FitnessRow
    from benchlog.evaluation.run_evaluation import Evaluation
    from benchlog.model import Lot, Run, TemperatureLaw, Use
    from benchlog.store.reader import Reader
    from benchlog.verdict.fitness.lot_fitness import DeviceFitness
    from benchlog.verdict.fitness.source import Conditions, Source

EXAMPLES: Final = (
    "benchlog fitness 12",
    "benchlog fitness 12 --horizon-years 10 --range-c -10 60 --json",
    "benchlog fitness 12 --law-from 12 --ageing-from 9 --horizon-years 5",
    "benchlog fitness 12 --need serial-x16 --other-end-ppm 20000",
    "benchlog fitness 12 --need serial-x16 --other-end rc-8mhz-trimmed",
    "benchlog fitness --need usb-full-speed",
    "benchlog fitness --lot 2026-071",
)


@make_command("fitness", examples=EXAMPLES)
@click.argument("run", type=RunOrDevice(), required=False, metavar="[RUN|DEVICE]")
@click.option("--lot", type=Text(), help="Judge every device of this lot that counts.")
@click.option("--part", type=CatalogueName("parts"), help="The part of that lot.")
@click.option(
    "--need",
    type=UseName(),
    metavar="USE",
    help="Only this use or family (usb, serial-x16); lists the parts that would do.",
)
@click.option(
    "--horizon-years",
    type=FiniteNumber(above=0),
    metavar="Y",
    help="Count ageing over so many years.",
)
@click.option(
    "--range-c",
    type=(FiniteNumber(), FiniteNumber()),
    metavar="LOW HIGH",
    help="Ambient temperature where it will work [default: the data sheet's range].",
)
@click.option(
    "--law-from",
    type=RunOrDevice(),
    metavar="RUN|DEVICE",
    help="Take the temperature law measured in that run, not the data sheet's promise.",
)
@click.option(
    "--ageing-from",
    type=RunOrDevice(),
    multiple=True,
    metavar="RUN|DEVICE",
    help="Take the ageing measured in that run (several: of one device).",
)
@click.option(
    "--other-end-ppm",
    type=FiniteNumber(),
    metavar="X",
    help="Offset of the other end of a link [default: as recommended, or half].",
)
@click.option(
    "--other-end",
    type=CatalogueName("parts"),
    metavar="PART",
    help="What the other end of a link is made from, its divisor included.",
)
def command(run: int | str | None, db: Path | None, as_json: bool, **wish: Any) -> None:
    """Say what RUN's source (the latest run if left out) is good for.

    The worst case is the measured offset, its uncertainty, restlessness, temperature
    and ageing, all at their worst together, against what each use tolerates. With
    --need and no RUN, only the parts of the catalogue are listed by their promises.
    With --lot, each use is answered for the worst device, with how many fit.
    """
    from benchlog.cli.tasks.fitness_text import text_of

    _check(run, wish)
    uses = _uses(wish["need"])
    if wish["lot"] is not None:
        _tell_lot(db, uses, wish, as_json=as_json)
        return
    rows: list[FitnessRow] = []
    if run is not None or wish["need"] is None:
        with reading(db) as reader:
            rows += _of_run(reader, chosen_run(reader, run), uses, wish)
    elif wish["law_from"] is not None or wish["ageing_from"]:
        raise UsageError("--law-from and --ageing-from belong to a measured RUN")
    if wish["need"] is not None:
        rows += _of_parts(uses, wish)
    if as_json:
        from benchlog.evaluation.study_documents import fitness_document

        print_json([fitness_document(*row) for row in rows], "fitness")
    else:
        print_text(text_of(rows))


def _check(run: int | str | None, wish: dict[str, Any]) -> None:
    if wish["lot"] is not None and run is not None:
        raise UsageError("name a RUN or --lot: one device is asked, or all of a lot")
    if wish["part"] is not None and wish["lot"] is None:
        raise UsageError("--part names the part of a lot: give --lot, too")
    if wish["ageing_from"] and wish["horizon_years"] is None:
        raise UsageError("--ageing-from needs --horizon-years: how long it will work")
    if wish["other_end"] is not None and wish["other_end_ppm"] is not None:
        raise UsageError("one of --other-end and --other-end-ppm, not both")


def _other_end(wish: dict[str, Any]) -> "float | Source | None":
    """Return the other end of links: a figure, a part of the catalogue, or nothing."""
    if wish["other_end"] is None:
        return None if wish["other_end_ppm"] is None else float(wish["other_end_ppm"])
    from benchlog.catalogue import load_part
    from benchlog.verdict.fitness.source import promised_source

    return promised_source(load_part(wish["other_end"]), _conditions(wish))


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
) -> "list[FitnessRow]":
    from benchlog.verdict.fitness.fitness import fitness
    from benchlog.verdict.fitness.source import measured_source

    if run.made_for == "trim":
        raise UsageError(
            f"run {run.id} is a trim: its readings are of many codes. Measure the "
            "device with the code that is set, `benchlog measure --part "
            f"{run.part.id} --device {shlex.quote(printable(run.device))}`, and name "
            "that run"
        )
    evaluation = evaluated(reader, run)
    run, assessment = evaluation.run, evaluation.assessment
    where = replace(
        _conditions(wish),
        law=_law(reader, wish["law_from"]),
        ageing_ppm=_ageing(reader, wish["ageing_from"], wish["horizon_years"]),
    )
    source = measured_source(run.device, run.part, assessment, where)
    _tell(evaluation, source)
    found = fitness(uses, source, _other_end(wish))
    return [(one, run.part, evaluation) for one in found]


def _tell_lot(
    db: Path | None, uses: "Iterable[Use]", wish: dict[str, Any], *, as_json: bool
) -> None:
    from benchlog.cli.tasks.fitness_text import lot_text_of
    from benchlog.evaluation.lots import existing_lot
    from benchlog.verdict.fitness.lot_fitness import lot_fitness

    with reading(db) as reader:
        lot = existing_lot(reader, wish["lot"], wish["part"])
        part = reader.part(lot.part_id)
        found = lot_fitness(tuple(_devices(reader, lot, tuple(uses), wish)))
    if not found:
        raise DataError(f"lot {lot.lot!r} has no device with a figure that counts")
    if as_json:
        from benchlog.evaluation.study_documents import lot_fitness_document

        print_json(
            [lot_fitness_document(one, lot, part) for one in found], "lot-fitness"
        )
    else:
        print_text(lot_text_of(found, printable(lot.lot)))


def _devices(
    reader: "Reader", lot: "Lot", uses: "Sequence[Use]", wish: dict[str, Any]
) -> "Iterator[DeviceFitness]":
    """Yield what each device of a lot is good for; say which has no figure."""
    from benchlog.verdict.fitness.fitness import fitness
    from benchlog.verdict.fitness.lot_fitness import DeviceFitness
    from benchlog.verdict.fitness.source import measured_source
    from benchlog.verdict.lot.lot_runs import results_of

    where = replace(
        _conditions(wish),
        law=_law(reader, wish["law_from"]),
        ageing_ppm=_ageing(reader, wish["ageing_from"], wish["horizon_years"]),
    )
    other_end, notes = _other_end(wish), dict[str, None]()
    for result in results_of(reader.lot_runs(lot)):
        evaluation = evaluated(reader, result.run)
        run, assessment = evaluation.run, evaluation.assessment
        if assessment.offset_ppm is None:
            say(f"left out: {printable(run.device)}, run {run.id}, has no figure")
            continue
        source = measured_source(run.device, run.part, assessment, where)
        notes |= dict.fromkeys(source.notes)
        if evaluation.simulated:
            notes["the lot is simulated"] = None
        yield DeviceFitness(run.device, run.id, fitness(uses, source, other_end))
    for note in notes:
        say(f"note: {note}")


def _of_parts(uses: "Iterable[Use]", wish: dict[str, Any]) -> "list[FitnessRow]":
    from benchlog.catalogue import list_parts
    from benchlog.verdict.fitness.fitness import candidates

    parts, problems = list_parts()
    for problem in problems:
        say(f"left out: {problem}")
    where, other_end = _conditions(wish), _other_end(wish)
    return [
        (one, part, None)
        for use in uses
        for part, one in candidates(use, parts, where, other_end)
    ]


def _conditions(wish: dict[str, Any]) -> "Conditions":
    from benchlog.verdict.fitness.source import Conditions

    span = wish["range_c"]
    if span is not None and not span[0] < span[1]:
        raise UsageError(
            f"--range-c {as_stated(span[0])} {as_stated(span[1])}: the lower one first"
        )
    return Conditions(range_c=span, horizon_years=wish["horizon_years"])


def _law(reader: "Reader", named: int | str | None) -> "TemperatureLaw | None":
    """Fit the temperature law of a run; say over which range it was measured."""
    if named is None:
        return None
    from benchlog.analysis.fitting.temperature import fit_temperature, law_of
    from benchlog.evaluation.response import supply_notes
    from benchlog.evaluation.studies import level_temperature_data
    from benchlog.model import TemperatureLaw

    run = chosen_run(reader, named)
    data, steps = level_temperature_data(reader, [run])
    fit = fit_temperature(
        data,
        law_of(run.part.kind),
        reference_c=run.part.limits.reference_c,
        limits=run.part.limits,
    )
    say(
        f"temperature law of run {run.id} ({printable(run.device)}), a {fit.law} "
        f"measured {fit.range_text}; beyond, it is an extrapolation"
    )
    for note in (*supply_notes(reader, [run]), *steps, *fit.notes):
        say(f"note: {note}")
    linear, quadratic, cubic = (*(c.value for c in fit.coefficients), 0.0, 0.0)[:3]
    return TemperatureLaw(
        law=fit.law,
        reference_c=fit.reference_c,
        linear_ppm_per_c=linear,
        quadratic_ppm_per_c2=quadratic,
        cubic_ppm_per_c3=cubic,
    )


def _ageing(
    reader: "Reader", named: "Sequence[int | str]", years: float | None
) -> "tuple[float, float] | None":
    """Extrapolate the ageing of runs; say by which law and how far."""
    if not named or years is None:
        return None
    from benchlog.cli.tasks.studying import chosen_runs
    from benchlog.evaluation.studies import ageing_of

    runs = chosen_runs(reader, tuple(named))
    aged = ageing_of(reader, runs, (years,))
    for note in aged.steps:
        say(f"note: {note}")
    found = aged.first
    (far,) = found.extrapolations
    if far.change_ppm is None or far.low_ppm is None or far.high_ppm is None:
        raise DataError(
            f"ageing {far.why_not}; take a longer soak or a shorter horizon"
        )
    change, low, high = far.texts
    say(
        f"ageing of {printable(runs[0].device)}, {found.law} law: "
        f"{change} ppm ({low} to {high}) "
        f"in {as_stated(years)} years; {found.warning}"
    )
    return far.low_ppm, far.high_ppm


def _tell(evaluation: "Evaluation", source: "Source") -> None:
    from benchlog.evaluation.wording import offset_text

    run = evaluation.run
    simulated = ", simulated" if run.simulated else ""
    offset = offset_text(evaluation.assessment, run.nominal_hz)
    say(f"{printable(run.device)}, run {run.id}{simulated}: offset {offset}")
    if evaluation.not_counted_text:
        say(f"note: run {run.id} {evaluation.not_counted_text}")
    if run.timebase is not None and run.timebase.doubt:
        say(f"note: {run.timebase.doubt}")
    for note in source.notes:
        say(f"note: {note}")
