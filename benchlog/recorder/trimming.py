"""Finding a trim code on a device: set, settle, measure, decide the next, until found.

One run holds it all: every reading is kept, every code set is an event. Nothing is
written to permanent memory; the last thing done is to set the best code again.
"""

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from benchlog import registry
from benchlog.analysis.trim_search import CodeResult
from benchlog.clock import Clock
from benchlog.driver import TRIM, Setter
from benchlog.errors import BenchlogError, UsageError
from benchlog.model import EventKind, RunPlan
from benchlog.model.counting import BEST_FOUND
from benchlog.recorder.keeper import opened_keeper
from benchlog.recorder.notice import RunNotice
from benchlog.recorder.run.plan_checks import position_of
from benchlog.recorder.sound_trimmer import SoundTrimmer
from benchlog.recorder.trim_session import TrimSession, search_of


@dataclass(frozen=True, slots=True, kw_only=True)
class Trimmed:
    """What a search found; the table is in the order of codes.

    `offset_ppm` and `u_ppm` (U, 95 %) are of the best code as it was left set, measured
    once more at the end: the figures that are kept of the run. `best` is None, and they
    are no numbers, where the run was ended before that. `code_set` is the code that is
    set now, None where none was.
    """

    run: int
    best: CodeResult | None
    code_set: int | None
    offset_ppm: float
    u_ppm: float
    step_ppm: float | None
    steps: int
    table: tuple[CodeResult, ...]


def trim(
    plan: RunPlan,
    database: Path,
    clock: Clock,
    *,
    tell: Callable[[RunNotice], None],
    start: int | None = None,
) -> Trimmed:
    """Search the best trim code of the device in `plan`.

    Raises UsageError when part or position know no trim or `start` is no safe code,
    InstrumentError when a code could not be set, and what `keep` raises. The run is
    kept whatever happens.
    """
    if plan.part.trim is None:
        raise UsageError(
            f"part {plan.part.id!r} states no trim codes; add a [trim] table "
            "with the codes that its data sheet allows"
        )
    search = search_of(plan.part.trim, start)
    trimmer = trimmer_of(plan, clock)
    sessions: list[TrimSession] = []

    def tell_all(told: RunNotice) -> None:
        tell(told)
        for session in sessions:
            if told.reading is not None:
                session.heard(told.reading)

    try:
        with opened_keeper([plan], database, clock, tell=tell_all) as keeper:
            trimmer.open()
            identity = trimmer.identify()
            keeper.wait_for_all()
            keeper.begin()
            (run,) = keeper.book.runs.all()
            session = TrimSession(keeper, trimmer, search, run)
            sessions.append(session)
            said = f"codes are set by {identity.text}"
            keeper.book.runs.note(run, EventKind.TRIM, said)
            if trimmer.outdated:
                keeper.book.runs.note(run, EventKind.TRIM, trimmer.outdated)

            def go_on() -> None:
                if run.run_id not in keeper.book.runs.by_id:
                    return
                session.turn()
                if session.over:
                    keeper.end_one(run.run_id, BEST_FOUND)

            keeper.each_turn = go_on
            keeper.loop()
    finally:
        trimmer.close()
    offset_ppm, u_ppm = session.found_ppm
    return Trimmed(
        run=run.run_id,
        best=search.best if session.over else None,
        code_set=session.code_set,
        offset_ppm=offset_ppm,
        u_ppm=u_ppm,
        step_ppm=search.step_ppm,
        steps=search.steps,
        table=search.table,
    )


def trimmer_of(plan: RunPlan, clock: Clock) -> SoundTrimmer:
    """Return what sets the code at the position of a plan, not opened yet.

    Raises UsageError where nothing does, BenchlogError for a driver that cannot.
    """
    name = position_of(plan).trim
    if name is None:
        raise UsageError(
            f"position {plan.position!r} of bench {plan.bench.name!r} has no "
            "trim = ...; name the instrument that sets the code there"
        )
    spec = plan.bench.instruments[name]
    kind = registry.load(spec.driver)
    if not (issubclass(kind, Setter) and kind.quantity == TRIM):
        raise BenchlogError(f"driver {spec.driver!r} cannot set a trim code")
    return SoundTrimmer(kind(spec.address, spec.options, clock), spec.driver)
