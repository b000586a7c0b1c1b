"""Finding a trim code on a device: set, settle, measure, decide the next, until found.

One run holds it all: every reading is kept, every code set is an event. Nothing is
written to permanent memory; the last thing done is to set the best code again.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from benchlog import registry
from benchlog.analysis.trim_search import CodeResult, TrimSearch
from benchlog.clock import Clock
from benchlog.driver import Trimmer
from benchlog.errors import BenchlogError, DataError, InstrumentError, UsageError
from benchlog.model import (
    EventKind,
    Reading,
    RunPlan,
    TrimRange,
)
from benchlog.recorder.keeper import opened_keeper
from benchlog.recorder.keeper_loop import Keeper
from benchlog.recorder.notice import RunNotice
from benchlog.recorder.run.plan_checks import position_of
from benchlog.recorder.sound_trimmer import SoundTrimmer
from benchlog.units import NS_PER_S, format_ppm, format_u_ppm, offset_ppm

# FEWEST, MOST, LAST: our rule: scatter is seen; time; an interval holds.
FEWEST: Final = 3
MOST: Final = 12
LAST: Final = 30
"""Readings of the best code at the end, for its offset and an interval that holds."""
ENOUGH: Final = 0.04  # our rule: far less than codes lie apart
"""A code is measured until its mean is known to this share of a step."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Trimmed:
    """What a search found; the table is in the order of codes.

    `offset_ppm` and `u_ppm` (U, 95 %) are of the best code as it was left set, measured
    once more at the end: the figures that are kept of the run.
    """

    run: int
    best: CodeResult
    offset_ppm: float
    u_ppm: float
    step_ppm: float | None
    steps: int
    table: tuple[CodeResult, ...]


@dataclass(slots=True)
class CodeUnderTest:
    """The code that is being measured: since when its readings count, and which."""

    code: int
    from_mono_ns: int
    offsets_ppm: list[float] = field(default_factory=list)


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
    search = _search(plan.part.trim, start)
    trimmer = _trimmer(plan, clock)
    listeners = [tell]

    def tell_all(told: RunNotice) -> None:
        for listener in listeners:
            listener(told)

    try:
        with opened_keeper([plan], database, clock, tell=tell_all) as keeper:
            session = _TrimSession(keeper, trimmer, search, plan)
            listeners.append(session.heard)
            trimmer.open()
            identity = trimmer.identify()
            keeper.wait_for_all()
            keeper.begin()
            run_id = session.begin(f"codes are set by {identity.text}")
            keeper.each_turn = session.turn
            keeper.loop()
    finally:
        trimmer.close()
    offset_ppm, u_ppm = session.found_ppm
    return Trimmed(
        run=run_id,
        best=search.best,
        offset_ppm=offset_ppm,
        u_ppm=u_ppm,
        step_ppm=search.step_ppm,
        steps=search.steps,
        table=search.table,
    )


class _TrimSession:
    """Carries a search out within a keeper's loop."""

    def __init__(
        self, keeper: Keeper, trimmer: SoundTrimmer, search: TrimSearch, plan: RunPlan
    ) -> None:
        self._keeper, self._trimmer, self._search = keeper, trimmer, search
        self._plan = plan
        self._nominal_hz = plan.part.nominal_hz / position_of(plan).divider
        self._asked: CodeUnderTest | None = None
        self._last = False
        self._run_id = 0
        self.found_ppm = (math.nan, math.nan)

    def begin(self, text: str) -> int:
        """Set the first code; return the run's id."""
        (self._run_id,) = self._keeper.book.runs.ids
        self._note(text)
        self._set(self._search.next_code())
        return self._run_id

    def heard(self, told: RunNotice) -> None:
        """Take a committed reading that belongs to the code being measured."""
        asked, reading = self._asked, told.reading
        if asked is None or reading is None:
            return
        if reading.mono_ns - reading.gate_s * NS_PER_S >= asked.from_mono_ns:
            asked.offsets_ppm.append(self._offset_ppm(reading))

    def turn(self) -> None:
        """Go on with the search; what goes wrong in it by itself is kept in the run.

        Raises BenchlogError then: without a next code there is nothing to go on with.
        """
        what = "the search for a code"
        with self._keeper.boundary.round(what, passes=(BenchlogError,)) as deed:
            self._step()
        if deed.fault is not None:
            raise BenchlogError(f"{deed.words}; the run is kept") from deed.fault

    def _step(self) -> None:
        """See whether the code is known well enough, and go to the next one."""
        asked = self._asked
        if asked is None or self._run_id not in self._keeper.book.runs.by_id:
            return
        mean, u = _mean(asked.offsets_ppm)
        if self._last:
            self._confirm(asked)
            return
        if not self._known(asked.offsets_ppm, u):
            return
        self._search.tell(asked.code, mean, u)
        self._note(f"code {asked.code}: {format_ppm(mean, u)} ppm")
        self._set(self._search.next_code())

    def _confirm(self, asked: CodeUnderTest) -> None:
        """End when the best code, set for good, has been measured long enough.

        What is said of it is what is kept of the run: the judge's figures, of all
        readings that were heard until then.
        """
        if len(asked.offsets_ppm) < LAST:
            return
        self._keeper.commit_all()
        found = self._keeper.book.runs.by_id[self._run_id].judge.assessment()
        if found.offset_ppm is None or found.u_ppm is None:
            return  # all that was heard was refused: there is more to come
        self.found_ppm = found.offset_ppm, found.u_ppm
        said = f"{format_ppm(*self.found_ppm)} +- {format_u_ppm(found.u_ppm)} ppm"
        self._note(f"best code {asked.code} is set, for now: {said}; burn it yourself")
        self._asked = None
        self._keeper.end_one(self._run_id, "best code found")

    def _known(self, offsets: Sequence[float], u: float) -> bool:
        if len(offsets) < FEWEST:
            return False
        step = self._search.step_ppm
        return len(offsets) >= MOST or (step is not None and u <= ENOUGH * step)

    def _set(self, code: int | None) -> None:
        """Set a code, or the best one when there is no next, and end."""
        self._last = code is None
        code = self._search.best.code if code is None else code
        try:
            self._trimmer.set_code(code)
        except InstrumentError as error:
            self._note(f"code {code} could not be set: {error}")
            raise
        run = self._keeper.book.runs.by_id[self._run_id]
        run.note_gap()
        settle_s = self._plan.part.trim.settle_s if self._plan.part.trim else 0.0
        now_ns = self._keeper.surroundings.clock.mono_ns()
        self._asked = CodeUnderTest(code, now_ns + round(settle_s * NS_PER_S))
        if self._last:  # the figures of the run are those of this code alone
            run.end_trial_at(self._asked.from_mono_ns)

    def _offset_ppm(self, reading: Reading) -> float:
        run = self._keeper.book.runs.by_id.get(self._run_id)
        base = run.judge.timebase.offset_ppm if run is not None else 0.0
        return offset_ppm(reading.frequency_hz, self._nominal_hz) + base

    def _note(self, text: str) -> None:
        run = self._keeper.book.runs.by_id[self._run_id]
        self._keeper.book.runs.note(run, EventKind.TRIM, text)


def _mean(values: Sequence[float]) -> tuple[float, float]:
    n = len(values)
    if n < 2:
        return (values[0] if n else math.nan, math.nan)
    mean = math.fsum(values) / n
    spread = math.fsum((v - mean) ** 2 for v in values) / (n - 1)
    return mean, math.sqrt(spread / n)


def _search(trim: TrimRange, start: int | None) -> TrimSearch:
    try:
        return TrimSearch(trim, start)
    except DataError as error:
        raise UsageError(f"{error}; begin at one of these") from error


def _trimmer(plan: RunPlan, clock: Clock) -> SoundTrimmer:
    name = position_of(plan).trim
    if name is None:
        raise UsageError(
            f"position {plan.position!r} of bench {plan.bench.name!r} has no "
            "trim = ...; name the instrument that sets the code there"
        )
    spec = plan.bench.instruments[name]
    kind = registry.load(spec.driver)
    if not issubclass(kind, Trimmer):
        raise BenchlogError(f"driver {spec.driver!r} cannot set a trim code")
    return SoundTrimmer(kind(spec.address, spec.options, clock), spec.driver)
