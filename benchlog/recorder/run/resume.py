"""Going on with a run that was broken off: its plan, its figures so far, the gap."""

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field, fields, replace
from pathlib import Path
from typing import Any, Final

from benchlog import registry
from benchlog.errors import BusyError, UsageError
from benchlog.evaluation.run_evaluation import RunEvaluator, fed
from benchlog.evaluation.run_time.steady_time import SteadyTime, segmented_events
from benchlog.keepers import state_of
from benchlog.model import (
    Bench,
    Dialect,
    InstrumentSpec,
    Purpose,
    Register,
    Run,
    RunPlan,
)
from benchlog.recorder.rack.known_setters import known_setters
from benchlog.recorder.run.plan_checks import position_of
from benchlog.recorder.run.resume_trust import came_by, opened_by, with_alarms_here
from benchlog.store.files import boot_id
from benchlog.store.reader import Reader
from benchlog.store.snapshot import UNREADABLE, run_plan_from, why_unreadable
from benchlog.units import NS_PER_S, format_duration, iso_utc
from benchlog.verdict.run.judges import AnyJudge

BROKEN_OFF: Final = ("interrupted", "terminal closed", "broken off")
"""Ends that nobody wanted: `--resume-last` goes on from these, and from no end."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Resumed:
    """A run to go on with: its plan, its judge fed with all readings, and the gap.

    `gap` says why nothing was kept, and since when; `alarms`, where there is something
    to say, why they tell nobody; `setters` who they were (`known_setters.py`); `more_s`
    how long from now on; `clock` tells how the wall clock was set since.
    """

    run: Run
    plan: RunPlan
    judge: AnyJudge
    readings: int
    gap: str
    alarms: str = ""
    setters: Mapping[str, tuple[int, str]] = field(default_factory=dict)
    more_s: float | None = None
    clock: SteadyTime = field(default_factory=lambda: SteadyTime(()))


def find_last(
    database: Path, devices: Collection[str] = (), *, trust: bool = False
) -> tuple[int, ...]:
    """Return the newest soak that broke off, with those that one keeper kept beside it.

    Only of these devices, if any are named; of those from elsewhere only with `trust`.
    Empty when there is none, or when somebody keeps it. The oldest comes first.
    """
    if not database.exists():
        return ()
    with Reader.open(database) as reader:
        broken = [
            run
            for run in reader.runs(limit=10_000)
            if _broke_off(run) and (trust or not came_by(reader, run))
        ]
    last = next((r for r in broken if not devices or r.device in devices), None)
    if last is None or is_kept(database, last):
        return ()
    beside = [r.id for r in broken if r.control and r.control == last.control]
    return tuple(sorted({last.id, *beside}))


def _broke_off(run: Run) -> bool:
    unfinished = run.open or run.ended_how in BROKEN_OFF
    return run.purpose is Purpose.SOAK and unfinished


def is_kept(database: Path, run: Run) -> bool:
    """Whether a keeper answers for this run."""
    return state_of(run, database) == "running"


def resumed(
    database: Path,
    run_id: int,
    now_utc_ns: int,
    *,
    more_s: float | None = None,
    trust: bool = False,
    purpose: Purpose = Purpose.SOAK,
) -> Resumed:
    """Return what is needed to go on with a soak, or a run of another `purpose`.

    `more_s`: its new length, counted from now. `trust`: also with one that came from
    elsewhere. Raises NotFoundError, UsageError for a run that is no soak or came from
    elsewhere, with what it would open and start, BusyError when a keeper has it.
    """
    with Reader.open(database) as reader:
        run = reader.run(run_id)
        if run.purpose is not purpose:
            raise UsageError(
                f"run {run_id} is no {purpose} ({run.purpose}); begin a new run instead"
            )
        if is_kept(database, run):
            raise BusyError(
                f"run {run_id} is being kept right now; `benchlog watch {run_id}` "
                "shows it"
            )
        plan, alarms = with_alarms_here(plan_of(run, now_utc_ns, more_s))
        came = came_by(reader, run)
        if came and not trust:
            raise UsageError(
                f"run {run_id} came by {came}; going on with it would use here:\n  "
                + "\n  ".join(opened_by(plan))
                + "\nif all of that is yours, add --trust"
            )
        so_far = fed(reader, run)
        gap = _gap_words(reader, run, now_utc_ns)
        setters = known_setters(reader.events(run.id))
        clock = SteadyTime(segmented_events(reader, run))
        readings = run.readings if so_far.of_pulses else reader.count(run_id)
    return Resumed(
        run=run,
        plan=plan,
        judge=so_far.judge,
        readings=readings,
        gap=gap,
        alarms=alarms,
        setters=setters,
        clock=clock,
        more_s=more_s,
    )


def plan_of(run: Run, now_utc_ns: int, more_s: float | None = None) -> RunPlan:
    """Rebuild the plan of a run from its snapshot; `more_s` from now on, if given.

    Raises UsageError where the snapshot, readable as a record, has no whole plan.
    """
    try:
        begun = run_plan_from(dict(run.snapshot), run.purpose)
    except UNREADABLE as error:
        raise UsageError(
            f"run {run.id} cannot be gone on with: {why_unreadable(error)}; begin a "
            "new run instead"
        ) from error
    plan = replace(begun, part=run.part, bench=_with_dialects(begun.bench))
    position_of(plan)
    if more_s is None:
        return plan
    past_s = (now_utc_ns - run.started_utc_ns) / NS_PER_S
    return replace(plan, max_s=past_s + more_s, max_readings=None)


def _with_dialects(bench: Bench) -> Bench:
    """Turn what drivers declare as dialects back from plain mappings."""
    specs = {name: _spec(spec) for name, spec in bench.instruments.items()}
    return replace(bench, instruments=specs)


def _spec(spec: InstrumentSpec) -> InstrumentSpec:
    options = dict(spec.options)
    for option in registry.load(spec.driver).options:
        given = options.get(option.name)
        if option.type is Dialect and isinstance(given, Mapping):
            options[option.name] = _dialect(given)
    return replace(spec, options=options)


def _dialect(plain: Mapping[str, Any]) -> Dialect:
    known = {f.name: plain[f.name] for f in fields(Dialect) if f.name in plain}
    for name in ("no_signal", "overload"):
        known[name] = tuple(known.get(name, ()))
    known["registers"] = {
        role: Register(**register)
        for role, register in known.get("registers", {}).items()
    }
    return Dialect(**known)


def _gap_words(reader: Reader, run: Run, now_utc_ns: int) -> str:
    """Say why nothing was kept, as far as that can be known, and since when."""
    last_ns = _last_sign_ns(reader, run)
    away = format_duration(max(0, now_utc_ns - last_ns) / NS_PER_S)
    segments = reader.segments(run.id)
    if not run.open:
        why = f"the run had been ended: {run.ended_how}"
    elif segments and segments[-1].boot_id != boot_id():
        why = "the computer was restarted"
    else:
        why = "the keeper had ended without closing the run (killed, or crashed)"
    return f"{why}; the last sign of it was at {iso_utc(last_ns)}, {away} before"


def _last_sign_ns(reader: Reader, run: Run) -> int:
    """Return the time of the last thing that was stored of a run."""
    signs = [run.started_utc_ns, run.ended_utc_ns or 0]
    last = reader.columns_after(run.id, reader.last_id(run.id) - 1)
    signs += [int(last.utc_ns[-1])] if len(last) else []
    if RunEvaluator(run).of_pulses:
        signs += reader.pulses_after(run.id).utc_ns[-1:].tolist()
    signs += [event.utc_ns for _, event in reader.events(run.id)[-1:]]
    return max(signs)
