"""`benchlog judge`: an old run judged again; the new verdict stands beside the old."""

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from benchlog.cli.amending import amending
from benchlog.cli.command import command as make_command
from benchlog.cli.figures import exit_code, judged, text_of
from benchlog.cli.printing import print_json, say
from benchlog.cli.values import Listed, RunId, Text
from benchlog.errors import NotFoundError, UsageError
from benchlog.model import Purpose

if TYPE_CHECKING:
    from collections.abc import Mapping

    from benchlog.model import InstrumentSpec, ReferenceCheck, Run, Timebase
    from benchlog.store.reader import Reader
    from benchlog.store.rows import VerdictRow

EXAMPLES = (
    "benchlog judge 12 --part quartz-16mhz-50ppm",
    "benchlog judge 12 --refcheck latest",
    "benchlog judge 12 --refcheck 3 --reason 'counter adjusted since' --json",
    "benchlog judge 12 --part quartz-16mhz-50ppm --try",
)
RULE = (
    "judged again: guarded acceptance (JCGM 106): pass if |offset| + U <= limit, "
    "fail if |offset| - U > limit, else undecided"
)


@make_command("judge", examples=EXAMPLES)
@click.argument("run", type=RunId())
@click.option("--part", type=Listed("parts"), help="Judge against this part.")
@click.option(
    "--refcheck",
    metavar="N",
    help="Correct for the time base by this check, or by the `latest` one.",
)
@click.option("--reason", type=Text(), help="Why, for whoever reads it.")
@click.option("--try", "is_trial", is_flag=True, help="Show the verdict, keep nothing.")
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
    with amending(db) as (writer, reader):
        before = reader.run(run)
        if before.open:
            raise UsageError(f"run {run} is still going on; stop it first")
        if before.made_for is Purpose.REFCHECK:
            raise UsageError(f"run {run} checked a time base: no device is judged")
        wanted = _as_wished(reader, before, wish["part"], wish["refcheck"])
        document = judged(reader, wanted)
        if not wish["is_trial"]:
            writer.add_verdict(run, _verdict(wanted, document, wish["reason"] or ""))
    _tell(before, wish["is_trial"])
    if as_json:
        print_json({**document, "before": before.verdict})
    else:
        click.echo(text_of(document))
    ctx.exit(exit_code([document]))


def _as_wished(
    reader: "Reader", run: "Run", part: str | None, refcheck: str | None
) -> "Run":
    """Return the run resting on another part and time base."""
    from benchlog.catalogue import load_part

    chosen = run.part if part is None else load_part(part)
    timebase = run.timebase
    if refcheck is not None:
        timebase = _timebase(reader, run, refcheck)
    return replace(
        run,
        part=chosen,
        nominal_hz=chosen.nominal_hz,
        timebase=timebase,
        judged_again=True,
    )


def _is_void(reader: "Reader", check: "ReferenceCheck") -> bool:
    return check.run_id is not None and reader.run(check.run_id).void is not None


def _timebase(reader: "Reader", run: "Run", refcheck: str) -> "Timebase":
    from benchlog.store.snapshot import bench_from
    from benchlog.verdict.timebase import timebase_by

    plain = run.snapshot.get("bench")
    bench = bench_from(plain) if isinstance(plain, dict) else None
    specs = {} if bench is None else bench.instruments
    serials = {one.serial: name for name, one in run.identities.items() if one.serial}
    checks = {
        number: check
        for number, check in reader.reference_checks()
        if check.instrument.serial in serials and not _is_void(reader, check)
    }
    spec_of = {serial: specs.get(name) for serial, name in serials.items()}
    number = _latest(checks, spec_of) if refcheck == "latest" else _number(refcheck)
    if number not in checks:
        known = [str(one) for one in checks]
        hint = "for the instruments of this run; see `benchlog refcheck`"
        raise NotFoundError("reference check", refcheck, known, hint)
    check = checks[number]
    spec = spec_of[check.instrument.serial]
    return timebase_by(spec, check, run.started_utc_ns)


def _latest(
    checks: "Mapping[int, ReferenceCheck]",
    spec_of: "Mapping[str, InstrumentSpec | None]",
) -> int:
    """Return the newest check, or the one that goes before it; 0 where there is none.

    A poor check that agrees with a much finer one is not the one to judge by.
    """
    from benchlog.verdict.checks import ruling

    newest = max(checks, default=0)
    if not newest:
        return 0
    last = checks[newest]
    serial = last.instrument.serial
    of_it = [one for one in checks.values() if one.instrument.serial == serial]
    rules = ruling(spec_of[serial], of_it, last.at_utc_ns) or last
    number = next(number for number, one in checks.items() if one == rules)
    if number != newest:
        say(f"check {newest} is not in use: check {number} agrees and is much finer")
    return number


def _number(text: str) -> int:
    if not text.isdecimal():
        raise UsageError(f"--refcheck {text!r}: give its number, or `latest`")
    return int(text)


def _verdict(run: "Run", document: dict[str, Any], reason: str) -> "VerdictRow":
    from benchlog.store.rows import VerdictRow

    basis = {"part": run.part, "timebase": run.timebase, "reason": reason}
    return VerdictRow(
        word=document["verdict"],
        offset_ppm=document["offset_ppm"],
        u_ppm=document["u_ppm"],
        limit_ppm=document["limit_ppm"],
        conformance=document["conformance"],
        rule=f"{RULE}; {reason}" if reason else RULE,
        figures={**document, "basis": basis},
    )


def _tell(before: "Run", is_trial: bool) -> None:
    kept = "nothing is kept" if is_trial else "the old verdict stays beside it"
    was = before.verdict or "not judged"
    say(f"run {before.id} of {before.device} was {was}; {kept}")
    if before.void is not None:
        say(
            f"run {before.id} is void ({before.void}): its verdict counts for nothing "
            f"until `benchlog void {before.id} --restore --reason WHY`"
        )
