"""`benchlog judge`: an old run judged again; the new verdict stands beside the old."""

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import click

from benchlog.cli import options
from benchlog.cli.command import command as make_command
from benchlog.cli.printing import (
    print_json,
    print_text,
    say,
)
from benchlog.cli.run_result import (
    evaluated,
    exit_code,
    text_of,
    text_of_racked,
)
from benchlog.cli.tasks.amending import against, amending, verdict_again
from benchlog.cli.typed_values import CatalogueName, RunId, Text
from benchlog.errors import NotFoundError, UsageError
from benchlog.model import Purpose, does_not_count_text

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from benchlog.evaluation.rack_study import QualifiedDevice
    from benchlog.evaluation.run_evaluation import Evaluation
    from benchlog.model import (
        InstrumentSpec,
        LearntStability,
        ReferenceCheck,
        Run,
        Timebase,
    )
    from benchlog.store.reader import Reader

EXAMPLES = (
    "benchlog judge 12 --part quartz-16mhz-50ppm",
    "benchlog judge 12 --refcheck latest",
    "benchlog judge 12 --refcheck 3 --reason 'counter adjusted since' --json",
    "benchlog judge 12 --part quartz-16mhz-50ppm --try",
    "benchlog judge 12 --over-temperature",
    "benchlog judge 12 --alone",
)


@make_command("judge", examples=EXAMPLES)
@click.argument("run", type=RunId())
@click.option("--part", type=CatalogueName("parts"), help="Judge against this part.")
@click.option(
    "--refcheck",
    metavar="N",
    help="Correct for the time base by this check, or by the `latest` one.",
)
@click.option(
    "--over-temperature/--at-reference",
    default=None,
    help="Against tolerance and stability together, or the tolerance alone [as begun].",
)
@click.option(
    "--soak",
    metavar="N",
    help="Rest on this soak, or on the `latest` one that fits.",
)
@options.alone
@click.option("--reason", type=Text(), help="The reason, for the record.")
@click.option("--try", "is_trial", is_flag=True, help="Show the verdict only.")
@click.pass_context
def command(
    ctx: click.Context,
    /,
    run: int,
    db: Path | None,
    as_json: bool,
    **wish: Any,
) -> None:
    """Judge RUN again, from the readings as they were stored.

    Against another part, or corrected by a reference check made later. The new verdict
    is kept beside the old one and counts from now on; both are shown.
    """
    from benchlog.evaluation.rack.one_run import Racks

    with amending(db) as (writer, reader):
        before = reader.run(run)
        if before.open:
            raise UsageError(f"run {run} is still running; stop it first")
        if before.made_for is Purpose.REFCHECK:
            raise UsageError(f"run {run} checked a time base: no device is judged")
        wanted = _as_wished(reader, before, wish)
        evaluation = evaluated(reader, wanted)
        racked = Racks(reader, wanted).device_of(wanted)
        if not wish["is_trial"]:
            row = verdict_again(reader, evaluation, wish["reason"] or "")
            writer.add_verdict(run, row)
    _tell(before, wish["is_trial"])
    if as_json:
        print_json(_document(evaluation, racked, before), "judgement")
    elif racked is None:
        print_text(text_of(evaluation))
    else:
        print_text(text_of_racked(evaluation, racked))
    decision = evaluation.decision
    if racked is not None and not wanted.damaged:
        decision = racked.verdict
    ctx.exit(exit_code([decision]))


def _document(
    evaluation: "Evaluation", racked: "QualifiedDevice | None", before: "Run"
) -> dict[str, Any]:
    from benchlog.evaluation.document import run_document
    from benchlog.evaluation.rack.one_run import found_figures

    found = {} if racked is None else found_figures(racked)
    return {**run_document(evaluation), **found, "before": before.verdict}


def _as_wished(reader: "Reader", run: "Run", wish: "Mapping[str, Any]") -> "Run":
    """Return the run as it is to be judged: part, time base, what it must hold."""
    from benchlog.catalogue import load_part

    part, refcheck = wish["part"], wish["refcheck"]
    asked = wish["over_temperature"]
    over_temperature = run.over_temperature if asked is None else asked
    chosen = run.part if part is None else load_part(part)
    timebase = run.timebase
    if refcheck is not None:
        timebase = _timebase(reader, run, refcheck)
    wanted = replace(
        run,
        timebase=timebase,
        judged_over_temperature=over_temperature,
        learnt=_learnt(reader, run, wish["soak"], alone=wish["alone"]),
    )
    return against(wanted, chosen)


def _learnt(
    reader: "Reader", run: "Run", soak: str | None, *, alone: bool
) -> "LearntStability | None":
    """Return the wished soak's figures. Raises NotFoundError, UsageError."""
    from benchlog.evaluation.learnt_soaks import LearntSoaks, short_run_of, soaks_for

    if alone and soak is not None:
        raise UsageError("give --alone or --soak, not both")
    if alone or soak is None:
        return None if alone else run.learnt
    short = short_run_of(run)
    fitting = [] if short is None else list(soaks_for(reader, short))
    named = None if soak == "latest" else _number(soak, "--soak")
    chosen = [one for one in fitting if named in (None, one.id)]
    if not chosen:
        numbers = [str(one.id) for one in fitting]
        hint = (
            "that counts, of this part at this bench and counter, within 90 days; see "
            "`benchlog runs`"
        )
        raise NotFoundError("soak", soak, numbers, hint)
    return LearntSoaks().taught_by(reader, chosen[0])


def _timebase(reader: "Reader", run: "Run", refcheck: str) -> "Timebase":
    """Return the time base by the wished check. Raises NotFoundError, UsageError."""
    from benchlog.verdict.timebase.known_timebase import timebase_by

    spec_of = _specs_by_instrument(run)
    known = {
        number: check
        for number, check in reader.reference_checks()
        if check.instrument.who in spec_of
    }
    number = None if refcheck == "latest" else _number(refcheck)
    if not known or (number is not None and number not in known):
        numbers = [str(one) for one in known]
        hint = "for the instruments of this run; see `benchlog refcheck`"
        raise NotFoundError("reference check", refcheck, numbers, hint)
    if number is None:
        return _latest(known, spec_of, run.started_utc_ns)
    check = known[number]
    if check.void is not None:
        raise UsageError(
            f"reference check {number} is void ({check.void}): nothing is corrected by "
            f"it; take another, or restore its run with `benchlog void {check.run_id} "
            "--restore --reason WHY`"
        )
    return timebase_by(spec_of[check.instrument.who], check, run.started_utc_ns)


def _specs_by_instrument(
    run: "Run",
) -> "dict[tuple[str, str, str], InstrumentSpec | None]":
    """Return what the bench says of each instrument that gave a serial number."""
    specs = run.recorded_bench.instruments
    return {
        one.who: specs.get(name) for name, one in run.identities.items() if one.serial
    }


def _latest(
    known: "Mapping[int, ReferenceCheck]",
    spec_of: "Mapping[tuple[str, str, str], InstrumentSpec | None]",
    at_utc_ns: int,
) -> "Timebase":
    """Return the time base by the newest check, or by what goes before it.

    A poor check that agrees with a much finer one, or with what the bench file states,
    is not the one to judge by. Where all are void, what is stated is all there is.
    """
    from benchlog.verdict.timebase.check_validity import timebase_now
    from benchlog.verdict.timebase.governing_check import ruling
    from benchlog.verdict.timebase.known_timebase import (
        assumed_timebase,
        timebase_by,
        timebase_for,
    )

    checks = {number: one for number, one in known.items() if one.void is None}
    newest = max(checks or known, key=lambda one: (known[one].at_utc_ns, one))
    who = known[newest].instrument.who
    spec = spec_of[who]
    of_it = [one for one in checks.values() if one.instrument.who == who]
    if why := _stated_instead(spec, of_it):
        say(why if checks else f"check {newest} is void, there is no other: {why}")
        if spec is None:
            return assumed_timebase()
        if checks:
            return timebase_now(spec, of_it, of_it[-1].at_utc_ns)
        return timebase_for(spec, None, at_utc_ns, "every check of it is void")
    rules = ruling(spec, of_it, of_it[-1].at_utc_ns) or of_it[-1]
    number = next(number for number, one in checks.items() if one == rules)
    if number != newest:
        say(f"check {newest} is not in use: check {number} agrees and is much finer")
    return timebase_by(spec, rules, at_utc_ns)


def _stated_instead(
    spec: "InstrumentSpec | None", checks: "Sequence[ReferenceCheck]"
) -> str:
    """Say why the bench file's word goes before the newest check; empty if not."""
    from benchlog.verdict.timebase.governing_check import stated_goes_on

    if not checks:
        return "what the bench file states is taken"
    said = stated_goes_on(spec, checks[:-1], checks[-1])
    return said and f"the newest check is not in use: {said}"


_LONGEST_NUMBER: Final = 19
"""Derived: decimal digits of the highest number of a row, 2^63 - 1."""


def _number(text: str, option: str = "--refcheck") -> int:
    if not (text.isdecimal() and len(text) <= _LONGEST_NUMBER):
        raise UsageError(f"{option} {text!r}: give its number, or `latest`")
    return int(text)


def _tell(before: "Run", is_trial: bool) -> None:
    kept = "nothing is kept" if is_trial else "the old verdict stays beside it"
    was = before.verdict or "not judged"
    say(f"run {before.id} of {before.device} was {was}; {kept}")
    if before.void is not None:
        say(
            f"run {before.id} {does_not_count_text(before.why_not_counted)}; `benchlog "
            f"void {before.id} --restore --reason WHY` lets it count again"
        )
    elif not before.counts:
        say(f"run {before.id} {does_not_count_text(before.why_not_counted)}")
