"""`benchlog check-bench`: every instrument once, all of them reported."""

import math
from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Final

import click

from benchlog import registry
from benchlog.cli.command import command as make_command
from benchlog.cli.printing import print_json, say, table
from benchlog.cli.typed_values import CatalogueName
from benchlog.errors import BusyError, InUseError
from benchlog.masking import masked
from benchlog.model import EDGE
from benchlog.units import (
    as_stated,
    format_duration,
)

if TYPE_CHECKING:
    from benchlog.clock import Clock
    from benchlog.model import (
        Bench,
        Identity,
        InstrumentSpec,
        ReferenceCheck,
        Sample,
    )
    from benchlog.recorder.instruments.instrument_check import InstrumentCheck

EXAMPLES = (
    "benchlog check-bench corner-bench",
    "benchlog check-bench ./benches/corner-bench.toml --json",
)
_AT_ONCE: Final = 4
_ANSWERS: Final = frozenset({"no-signal", "overload"})


@dataclass(frozen=True, slots=True, kw_only=True)
class Checked:
    """What one instrument gave; a JSON row of the contract, and `unit`, `in_use`.

    `advice` is the gate (of pulses: the time) that some limits need, `seen` what the
    counter's readings show of its resolution, by which that is told, `refcheck` the
    time that a check of its time base needs, where [reference] is about it. `counts`:
    what they show of how it counts, and whether that is what was stated.
    """

    instrument: str
    driver: str
    address: str
    ok: bool
    identity: str | None
    value: float | None
    unit: str | None
    error: str | None
    in_use: bool = False
    advice: tuple[str, ...] = ()
    refcheck: tuple[str, ...] = ()
    seen: str = ""
    counts: tuple[str, ...] = ()


@make_command("check-bench", examples=EXAMPLES)
@click.argument("bench", required=False, type=CatalogueName("benches"))
@click.pass_context
def command(
    ctx: click.Context, bench: str | None, db: Path | None, as_json: bool
) -> None:
    """Ask each instrument of BENCH (a name or a path) who it is, and for a reading.

    A counter is read ten times (four, or what fits into 30 s, at a long gate; up to a
    hundred times, within 4 s, at a short one): what it resolves is told by the scatter
    and the steps of its readings, not by its digits. How it counts is told by how its
    readings follow each other: dead time, stamps shared from gate to gate. Where that
    leaves open what makes them scatter, and the gate is 0.1 s or shorter, it is read
    once more, for 8 s at most, at four times its gate: white FM of the device, stamps
    and averages within the gate fall differently. It has its own gate again afterwards.

    Without BENCH it is your default (`benchlog defaults`).

    An instrument that says "no signal" answers. One that a run is using is left alone
    and said to be in use. Exit code 1 if one does not answer or is in use, or if its
    dialect cannot choose the input that [reference] names.
    """
    from benchlog.catalogue import load_bench
    from benchlog.cli.database import database
    from benchlog.cli.tasks.bench_and_part import recalled_bench

    loaded = load_bench(recalled_bench(bench))
    instruments = loaded.instruments
    _warn_of_calibration(instruments)
    names = ", ".join(instruments)
    say(f"asking {names}")
    asked = check_all(instruments, database(db))
    checked = [_as_wired(row, loaded) for row in asked]
    if as_json:
        print_json(checked, "checked-instrument")
    else:
        click.echo(_table(asked))
        for row in checked:
            for line in _advised(row):
                click.echo(line)
            if row.error:
                say(f"{row.instrument}: {row.error}")
    ctx.exit(0 if all(row.ok for row in checked) else 1)


def _warn_of_calibration(instruments: "Mapping[str, InstrumentSpec]") -> None:
    from benchlog.clock import host_clock
    from benchlog.verdict.timebase.check_validity import due_words

    for words in due_words(instruments.values(), host_clock().utc_ns()):
        say(f"warning: {words}")


def advice_for(
    spec: "InstrumentSpec",
    samples: "Sequence[Sample]",
    checks: "Sequence[ReferenceCheck]",
) -> tuple[str, ...]:
    """Return what some limits need of a counter or of pulses, from its readings.

    `checks` are those of a counter's time base.
    """
    from benchlog.verdict.run.measuring_advice import (
        LIMITS_PPM,
        advise_seen,
        pulse_time_s,
        seen_resolution,
        stamp_s,
    )
    from benchlog.verdict.timebase.check_validity import timebase_now

    if samples and samples[0].unit == EDGE:
        spacing_s = float(str(spec.options.get("interval_s", 1.0)))
        jitter_s = stamp_s(spec.address)
        times = [pulse_time_s(one, jitter_s, spacing_s) for one in LIMITS_PPM]
        return tuple(
            f"{as_stated(limit)} ppm: {format_duration(math.ceil(time_s))}"
            for limit, time_s in zip(LIMITS_PPM, times, strict=True)
        )
    seen = seen_resolution(samples)
    if seen is None:
        return ()
    u_ppm = timebase_now(spec, checks, samples[0].utc_ns).u_ppm
    advised = [advise_seen(limit, seen, u_ppm) for limit in LIMITS_PPM]
    return tuple(one.text for one in advised if one is not None)


def _as_wired(row: Checked, bench: "Bench") -> Checked:
    """Add how long a check of a counter's time base takes, where one is wired.

    Pulses of a reference need no advice: those that are held against it do.
    """
    from benchlog.cli.tasks.reference_input import input_fault
    from benchlog.verdict.run.measuring_advice import (
        LIMITS_PPM,
        refcheck_advice,
        stamp_s,
    )

    reference = bench.reference
    is_it = reference is not None and reference.counter == row.instrument
    if row.ok and is_it and (fault := input_fault(bench)):
        return replace(row, ok=False, error="; ".join(filter(None, (row.error, fault))))
    judged = {one.frequency for one in bench.positions}
    judged |= {reference.timebase} if reference and reference.timebase else set()
    if row.unit == EDGE and row.instrument not in judged:
        return replace(row, advice=())
    if reference is None or reference.counter != row.instrument:
        return row
    gate_s = float(str(bench.instruments[row.instrument].options.get("gate_s", 1.0)))
    trains = [one for one in (reference.pulses, reference.timebase) if one]
    jitter_s = stamp_s(*(bench.instruments[one].address for one in trains))
    times = tuple(
        refcheck_advice(one, reference, gate_s, jitter_s) for one in LIMITS_PPM
    )
    return replace(row, refcheck=times)


def _advised(row: Checked) -> "Iterator[str]":
    from benchlog.verdict.run.measuring_advice import stamp_s

    if row.advice and row.unit == EDGE:
        rms = f"{as_stated(stamp_s(row.address) * 1e3)} ms"
        what = f"time to compare {row.instrument} by stamps of {rms} rms"
        yield f"{what} for a limit of " + "; ".join(row.advice)
    if row.seen:
        yield f"{row.instrument}: {row.seen}"
    for text in row.counts:
        yield f"{row.instrument}: {text}"
    if row.advice and row.unit != EDGE:
        yield f"gate of {row.instrument} for a limit of " + "; ".join(row.advice)
    if row.refcheck:
        yield "refcheck for a limit of " + "; ".join(row.refcheck)


def _checks_of(path: Path, identity: "Identity | None") -> "list[ReferenceCheck]":
    """Return the checks of an instrument that were not voided, the newest last."""
    from benchlog.store.reader import Reader

    if identity is None or not identity.serial or not path.exists():
        return []
    with Reader.open(path) as reader:
        return reader.standing_checks(identity.serial, identity.who)


def check_all(instruments: "Mapping[str, InstrumentSpec]", path: Path) -> list[Checked]:
    """Try each instrument in a process of its own, a few at a time.

    What a keeper holds is not touched: its run would suffer. The database at `path`
    may know checks of time bases.
    """
    groups: dict[str, list[InstrumentSpec]] = {}
    for spec in instruments.values():
        groups.setdefault(spec.address or spec.name, []).append(spec)
    with ThreadPoolExecutor(_AT_ONCE) as pool:
        tried = pool.map(lambda specs: _check_group(specs, path), groups.values())
        found = [row for rows in tried for row in rows]
    by_name = {row.instrument: row for row in found}
    return [by_name[spec.name] for spec in instruments.values()]


def _check_group(specs: "Sequence[InstrumentSpec]", path: Path) -> list[Checked]:
    """Try what stands at one address, one after the other."""
    from benchlog.clock import host_clock
    from benchlog.recorder.bench_lock import BenchLocks
    from benchlog.recorder.instruments.instrument_check import check_instrument
    from benchlog.verdict.run.measuring_advice import readings_wanted

    clock = host_clock()
    held = [s.address for s in specs if s.address and registry.load(s.driver).exclusive]
    try:
        with BenchLocks(held, "benchlog check-bench", clock):
            return [
                _checked(
                    spec,
                    check_instrument(spec, clock, wanted=readings_wanted),
                    path,
                    clock,
                    alone=len(specs) == 1,
                )
                for spec in specs
            ]
    except BusyError as error:
        return [_failed(spec, error) for spec in specs]


def _failed(spec: "InstrumentSpec", error: BusyError) -> Checked:
    return Checked(
        instrument=spec.name,
        driver=spec.driver,
        address=masked(spec.address),
        ok=False,
        identity=None,
        value=None,
        unit=None,
        error=str(error),
        in_use=True,
    )


def _checked(
    spec: "InstrumentSpec",
    tried: "InstrumentCheck",
    path: Path,
    clock: "Clock",
    *,
    alone: bool,
) -> Checked:
    from benchlog.cli.tasks.counting_series import as_in_a_run, told_by_longer_gate
    from benchlog.verdict.run.counter.seen_counting import seen_counting
    from benchlog.verdict.run.measuring_advice import seen_resolution

    error, sample = tried.error, tried.sample
    seen = seen_resolution(tried.samples)
    series = as_in_a_run(spec, tried.samples, clock) if alone else tried.samples
    counts = seen_counting(series, spec.counts)
    more = told_by_longer_gate(spec, tried.identity, series, counts, clock)
    answers = tried.identity is not None and (error is None or error.kind in _ANSWERS)
    return Checked(
        instrument=spec.name,
        driver=spec.driver,
        address=masked(spec.address),
        ok=answers,
        identity=tried.identity.text if tried.identity else None,
        value=sample.value if sample else None,
        unit=sample.unit if sample else None,
        error=str(error) if error else None,
        in_use=error is not None and error.kind == InUseError.kind,
        advice=advice_for(spec, tried.samples, _checks_of(path, tried.identity)),
        seen=seen.text if seen else "",
        counts=(*counts.texts, *more) if counts else (),
    )


def _state(row: Checked) -> str:
    if row.in_use:
        return "in use"
    return "answers" if row.ok else "NO ANSWER"


def _table(checked: list[Checked]) -> str:
    rows = [
        (
            row.instrument,
            _state(row),
            "-" if row.value is None else f"{row.value:,.12g} {row.unit}",
            row.driver,
            row.address or "-",
            row.identity or "-",
        )
        for row in checked
    ]
    headers = ("instrument", "state", "reading", "driver", "address", "identity")
    return table(headers, rows, "llr")
