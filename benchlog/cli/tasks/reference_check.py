"""Carrying a reference check out: a run against the reference, then what it says."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Final

import click

from benchlog.catalogue import load_bench
from benchlog.cli.narrator import Narrator
from benchlog.cli.printing import print_json, say
from benchlog.cli.tasks.reference_check_text import CheckNarration, check_text
from benchlog.cli.tasks.reference_input import input_fault
from benchlog.clock import Clock, host_clock
from benchlog.errors import DataError, UsageError
from benchlog.evaluation.check_document import check_document
from benchlog.evaluation.reference_finding import Weighed, finding_of
from benchlog.model import (
    Bench,
    Identity,
    InstrumentSpec,
    Kind,
    Limits,
    Part,
    PositionSpec,
    Purpose,
    ReferenceCheck,
    ReferenceSpec,
    Run,
    RunPlan,
)
from benchlog.recorder.instruments.instrument_check import check_instrument
from benchlog.recorder.keeper import keep
from benchlog.store.reader import Reader
from benchlog.store.writer import Writer
from benchlog.units import (
    SECONDS_PER_DAY,
    format_duration,
    format_frequency,
    printable,
)
from benchlog.verdict.timebase.check_doubts import cautions, refusals, warnings
from benchlog.verdict.timebase.check_validity import due_words
from benchlog.verdict.timebase.governing_check import UNUSED, stated_goes_on, weighed
from benchlog.verdict.timebase.reference_check import (
    Finding,
    days_it_holds,
    holds_until_ns,
)
from benchlog.version import __version__

NOT_KEPT: Final = 4
_PLACE: Final = "reference"


@dataclass(frozen=True, slots=True, kw_only=True)
class Wired:
    """A bench's reference, the counter it is about, and what the run looks at."""

    bench: Bench
    reference: ReferenceSpec
    counter: InstrumentSpec
    position: PositionSpec
    nominal_hz: float


def check_timebase(typed: dict[str, Any], path: Path, as_json: bool) -> int:
    """Check the time base, print what was found, keep it; return the exit code.

    Raises UsageError for a bench without a reference, DataError when the signal is not
    the reference or too little came, and what prevents the start of a run.
    """
    wired = wiring_of(load_bench(typed["bench"]))
    clock = host_clock()
    for words in due_words(wired.bench.instruments.values(), clock.utc_ns()):
        say(f"warning: {words}")
    asked = _identity_beforehand(wired, clock)
    plan = _plan(wired, typed)
    say(f"comparing for {format_duration(typed['for_s'])}; Ctrl-C ends it earlier")
    with Narrator() as narrator:
        (run_id,) = keep([plan], path, clock, tell=CheckNarration(narrator).tell)
    with Reader.open(path) as reader:
        run = reader.run(run_id)
        finding = finding_of(reader, run, wired.reference, wired.counter)
        identity = asked or run.identities[wired.counter.name]
        check = _check(identity, finding, run, wired, typed)
        before = reader.standing_checks(identity.serial, identity.who)
    weighed = _weighed(check, finding, wired, before, insist=typed["insist"])
    if weighed.kept:
        _keep(path, clock, check)
    if as_json:
        print_json(check_document(check, finding, weighed), "refcheck")
    else:
        counter, nominal_hz = wired.counter.name, wired.nominal_hz
        click.echo(
            check_text(check, finding, weighed, counter=counter, nominal_hz=nominal_hz)
        )
    return 0 if weighed.kept else NOT_KEPT


def wiring_of(bench: Bench) -> Wired:
    """Return how the reference is wired, as a place that a run can be made at.

    Raises UsageError when the bench says nothing of a reference, or names an input that
    the counter cannot choose.
    """
    reference = bench.reference
    if reference is None:
        raise UsageError(
            f"bench {bench.name!r} has no [reference]; add one to "
            f"{bench.file or 'its file'} that says what is wired where"
        )
    if fault := input_fault(bench):
        raise UsageError(f"{bench.file or bench.name}: {fault}")
    counter = bench.instruments[reference.counter]
    if reference.pulses is not None and reference.timebase is not None:
        place = PositionSpec(
            name=_PLACE, frequency=reference.timebase, reference=reference.pulses
        )
        options = bench.instruments[reference.timebase].options
        spacing_s = options.get("interval_s", 1.0)
        nominal_hz = 1.0 / float(spacing_s)  # type: ignore[arg-type]
    else:
        place = PositionSpec(name=_PLACE, frequency=counter.name)
        nominal_hz = reference.nominal_hz
    instruments = dict(bench.instruments)
    if reference.input is not None:
        options = {**counter.options, "input": reference.input}
        instruments[counter.name] = replace(counter, options=options)
    changed = replace(bench, instruments=instruments, positions=(place,))
    return Wired(
        bench=changed,
        reference=reference,
        counter=counter,
        position=place,
        nominal_hz=nominal_hz,
    )


def _identity_beforehand(wired: Wired, clock: Clock) -> Identity | None:
    """Ask a counter who it is that the run itself does not use."""
    if wired.position.frequency == wired.counter.name:
        return None
    tried = check_instrument(wired.counter, clock)
    if tried.identity is None:
        assert tried.error is not None
        raise tried.error
    return tried.identity


def _plan(wired: Wired, typed: dict[str, Any]) -> RunPlan:
    said = format_frequency(wired.nominal_hz)
    part = Part(
        id=f"reference-{said.replace(' ', '').lower()}",
        title=f"reference of {said}",
        kind=Kind.OTHER,
        nominal_hz=wired.nominal_hz,
        limits=Limits(tolerance_ppm=math.inf),
    )
    return RunPlan(
        purpose=Purpose.REFCHECK,
        device=_device(wired),
        part=part,
        position=wired.position.name,
        bench=wired.bench,
        operator=typed["operator"] or "",
        max_s=typed["for_s"],
        software=f"benchlog {__version__}",
        checks=wired.counter.name,
    )


def _device(wired: Wired) -> str:
    """Name what the run looks at, as its figures are: the reference, or the base."""
    if wired.position.frequency == wired.counter.name:
        return f"reference as {wired.counter.name} reads it"
    return f"time base of {wired.counter.name}"


def _check(
    identity: Identity,
    finding: Finding,
    run: Run,
    wired: Wired,
    typed: dict[str, Any],
) -> ReferenceCheck:
    if not identity.serial:
        raise DataError(
            f"{printable(identity.text)!r} gives no serial number, so the check could "
            "not be found again for it; the run itself is kept"
        )
    days = days_it_holds(wired.counter, finding.budget.expanded_ppm)
    if typed["valid_s"] is not None:
        days = typed["valid_s"] / SECONDS_PER_DAY
    at_ns = run.ended_utc_ns or run.started_utc_ns
    simulated = identity.simulated or wired.counter.simulated or run.simulated
    return ReferenceCheck(
        instrument=replace(identity, simulated=simulated),
        offset_ppm=finding.offset_ppm,
        u_ppm=finding.u_ppm,
        method=finding.method,
        at_utc_ns=at_ns,
        valid_until_utc_ns=holds_until_ns(at_ns, days),
        run_id=run.id,
    )


def _weighed(
    check: ReferenceCheck,
    finding: Finding,
    wired: Wired,
    before: Sequence[ReferenceCheck],
    *,
    insist: bool,
) -> Weighed:
    """Decide whether a check is kept, and say what to know of it."""
    why = tuple(refusals(finding))
    goes_on = stated_goes_on(wired.counter, before, check)
    return Weighed(
        kept=insist or not why,
        refusals=why,
        warnings=tuple(warnings(finding, wired.counter)),
        notes=tuple(cautions(finding, wired.counter, wired.reference)),
        beside=weighed(wired.counter, before, check),
        unused=f"{UNUSED}: {goes_on}" if goes_on else "",
    )


def _keep(path: Path, clock: Clock, check: ReferenceCheck) -> None:
    with Writer.open(path, clock) as writer:
        writer.add_reference_check(check)
