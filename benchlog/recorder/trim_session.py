"""Finding a trim code within a keeper's loop: one device, one run, one course.

The course is a generator that yields while it waits for readings or a program. Every
reading is kept, every code set is an event; what a program or a table needs of it is in
the event's raw bytes (`benchlog.model.trims`).
"""

import math
from collections.abc import Iterator, Sequence
from typing import Final

from benchlog.analysis.trim_search import TrimSearch
from benchlog.errors import BenchlogError, DataError, InstrumentError, UsageError
from benchlog.model import EventKind, Flag, Reading, TrimRange
from benchlog.model.trims import (
    AFTER_BURN,
    AFTER_POWER_CYCLE,
    BURN_BEGUN,
    BURN_FAILED,
    BURNED,
    DIFFERS,
    POWER_CYCLED,
    SET,
    TrimNote,
)
from benchlog.recorder.keeper_loop import Keeper
from benchlog.recorder.lot.burn_contract import BurnError, Burning, ProgramUnderWay
from benchlog.recorder.run.conditions import SetOrder
from benchlog.recorder.run.device_settling import gated_since
from benchlog.recorder.run.live_run import LiveRun
from benchlog.recorder.sound_trimmer import SoundTrimmer
from benchlog.units import NS_PER_S, as_stated, format_ppm, format_u_ppm, offset_ppm
from benchlog.verdict.run.budget import COVERAGE

# FEWEST, MOST, LAST: our rule: scatter is seen; time; an interval holds.
FEWEST: Final = 3
MOST: Final = 12
LAST: Final = 30
"""Readings of the best code at the end, for its offset and an interval that holds."""
ENOUGH: Final = 0.04  # our rule: far less than codes lie apart
"""A code is measured until its mean is known to this share of a step."""
STEADY_PPM: Final = 100.0
"""A register that moves a device by less trims nothing; our rule: a tenth of the
smallest step of a trim register, 0.1 % (common practice, no source)."""
_CLEAR: Final = 4.0  # standard uncertainties; our rule: by chance one in 16,000
_HALF: Final = 0.5  # of a step: nearer it is the same code; definition


class TrimSession:
    """Carries a search out on the device of an open run.

    `over` once the best code is measured as it stays; `wrong` asks whether this is the
    right part. While something is `under_way`, a burn or a power cycle, nobody wonders
    where the signal is, and no person ends the run. `code_set` is the code that was set
    last, None before any was. The figures that count are those of
    the readings since the last of all: the code left set, or what is there after burn
    and power cycle.
    """

    def __init__(
        self,
        keeper: Keeper,
        trimmer: SoundTrimmer,
        search: TrimSearch,
        run: LiveRun,
        burning: Burning | None = None,
    ) -> None:
        self._keeper, self._trimmer, self._search = keeper, trimmer, search
        self._run, self._burning = run, burning
        self._nominal_hz = run.plan.part.nominal_hz / run.position.divider
        self._offsets_ppm: list[float] = []
        self._heard = self._accepted = self._asked = 0
        self._from_mono_ns = 0
        self._heard_ns: int | None = None
        self._course = self._steps()
        self.found_ppm = (math.nan, math.nan)
        self.code_set: int | None = None
        self.over = False
        self.is_last = False
        self.under_way: ProgramUnderWay | None = None
        self.wrong = ""

    def heard(self, reading: Reading) -> None:
        """Take a committed reading; it counts if its gate began in time."""
        self._heard += 1
        before_ns, self._heard_ns = self._heard_ns, reading.mono_ns
        if gated_since(reading, before_ns, self._from_mono_ns):
            self._offsets_ppm.append(self._offset_ppm(reading))

    def turn(self) -> None:
        """Go on with the course; what goes wrong in it by itself is kept in the run.

        Raises BenchlogError then: without a next code there is nothing to go on with.
        """
        what = "the search for a code"
        passes = (BenchlogError,)
        with self._keeper.boundary.round(what, passes=passes) as deed:
            if not self.over and next(self._course, self) is self:
                self.over = True
        if deed.fault is not None:
            raise BenchlogError(f"{deed.words}; the run is kept") from deed.fault

    # --- the course -------------------------------------------------------------------

    def _steps(self) -> Iterator[None]:
        while (code := self._search.next_code()) is not None:
            self._set(code)
            yield from self._until_known()
            mean, u = _mean(self._offsets_ppm)
            self._search.tell(code, mean, u)
            self._note(f"code {code}: {format_ppm(mean, u)} ppm")
        self._look_at_register()
        best = self._code_to_leave()
        self._set(best)
        if self._burning is None:
            yield from self._last()
            self._note_set(best, "burn it yourself", *self.found_ppm)
            return
        yield from self._readings(LAST)
        set_ppm = self._mean_and_u()
        is_first = self._burning.burned_before is None
        rest = "it is to be burned" if is_first else "it is not burned again"
        self._note_set(best, rest, *set_ppm)
        yield from self._made_permanent(self._burning, best, set_ppm)

    def _code_to_leave(self) -> int:
        """Return the best code; where a burn was begun before, the one of that burn.

        The chip has that one for good, if any: what is told must be about it.
        """
        before = None if self._burning is None else self._burning.burned_before
        best = self._search.best.code
        code = best if before is None or before.code is None else before.code
        safe = self._search.trim.safe  # the part file may have been changed since
        return code if any(low <= code <= high for low, high in safe) else best

    def _made_permanent(
        self, burning: Burning, code: int, set_ppm: tuple[float, float]
    ) -> Iterator[None]:
        """Burn a code and look again, after the burn and after a power cycle."""
        before = burning.burned_before
        told = "" if before is None else before.told
        why_not = told or self.wrong or self._beyond(*set_ppm)
        if why_not:
            begun = None if before is None else TrimNote(what=BURN_BEGUN, code=code)
            self._note(f"code {code} is not burned: {why_not}", begun)
        if why_not and not (before and burning.cycles):
            yield from self._last()
            return
        name, what = "the burn", AFTER_BURN
        if not before:
            yield from self._burn(burning, code)
        if burning.cycles:
            if not before:
                self._look()
                yield from self._readings(LAST)
                self._note_after(name, what, code, *self._mean_and_u())
            name, what = "a power cycle", AFTER_POWER_CYCLE
            yield from self._ended(burning.power_cycle(code), name, code)
            self._note("the supply was away", TrimNote(what=POWER_CYCLED, code=code))
        yield from self._last()
        self._note_after(name, what, code, *self.found_ppm)
        self._compare(code, set_ppm, self.found_ppm)

    def _burn(self, burning: Burning, code: int) -> Iterator[None]:
        self._note(f"code {code} is burned now", TrimNote(what=BURN_BEGUN, code=code))
        self._keeper.commit_all()  # whoever goes on after a cut must not burn again
        yield from self._ended(burning.burn(code), "the burn", code)
        self._note(f"code {code} is burned", TrimNote(what=BURNED, code=code))

    def _ended(self, program: ProgramUnderWay, what: str, code: int) -> Iterator[None]:
        """Wait for a program. Raises BurnError when it did not end well."""
        self.under_way = program
        while (said := program.outcome()) is None:
            yield
        self.under_way = None
        for order, told in program.orders:
            self._log(order, told)
        if said:
            failed = TrimNote(what=BURN_FAILED, code=code)
            self._note(f"{what} of code {code} failed: {said}", failed)
            raise BurnError(f"{what} failed: {said}")

    def _until_known(self) -> Iterator[None]:
        while not self._known():
            # the first one or two may have begun before the code was set
            self._commit_what_is_needed(FEWEST, FEWEST + 1, FEWEST + 2, MOST)
            yield

    def _readings(self, wanted: int) -> Iterator[None]:
        while len(self._offsets_ppm) < wanted:
            self._commit_what_is_needed(wanted, wanted + 1, wanted + 2)
            yield

    def _last(self) -> Iterator[None]:
        """Measure what stays; its readings alone are the figures of the run.

        What is told of it is what is kept of the run: the judge's figures.
        """
        self._look()
        self.is_last = True
        self._run.end_trial_at(self._from_mono_ns)
        yield from self._readings(LAST)
        while True:
            self._keeper.commit_all()
            found = self._run.judge.assessment()
            if found.offset_ppm is not None and found.u_ppm is not None:
                self.found_ppm = found.offset_ppm, found.u_ppm
                return
            yield  # all that was heard was refused: there is more to come

    # --- details ----------------------------------------------------------------------

    def _known(self) -> bool:
        n = len(self._offsets_ppm)
        if n < FEWEST:
            return False
        step, (_, u) = self._search.step_ppm, _mean(self._offsets_ppm)
        return n >= MOST or (step is not None and u <= ENOUGH * step)

    def _commit_what_is_needed(self, *wanted: int) -> None:
        """Commit as soon as there may be readings enough, not when it is due."""
        accepted = self._run.accepted - self._accepted
        due = max((one for one in wanted if accepted > one), default=0)
        if due > self._asked and accepted > self._heard:
            self._asked = due
            self._keeper.commit_all()

    def _set(self, code: int) -> None:
        """Set a code and read it back; both are rows. Raises InstrumentError."""
        clock, name = self._run.clock, self._run.position.trim or ""
        flags = Flag.SIMULATED if self._trimmer.simulated else Flag.NONE
        order = SetOrder(
            quantity="trim",
            value=float(code),
            unit="code",
            instrument=name,
            utc_ns=clock.utc_ns(),
            mono_ns=clock.mono_ns(),
            flags=flags,
        )
        told: float | None = None
        try:
            self._trimmer.set(code)
            told = self._trimmer.read_back()
            if told not in (None, code) and not self._trimmer.outdated:
                raise InstrumentError(f"{as_stated(told or 0.0)} is read back")
            self.code_set = code
        except InstrumentError as error:
            self._note(f"code {code} could not be set: {error}")
            raise
        finally:
            self._log(order, told)
        self._look()

    def _log(self, order: SetOrder, told: float | None) -> None:
        run = self._run
        for row in order.rows(told, run.clock):
            self._keeper.book.runs.queue.add((run.run_id, run.segment_id, row))

    def _look(self) -> None:
        """Begin to measure what is there now."""
        self._run.note_gap()
        trim = self._run.plan.part.trim
        settle_ns = round((trim.settle_s if trim else 0.0) * NS_PER_S)
        self._from_mono_ns = self._run.clock.mono_ns() + settle_ns
        self._offsets_ppm, self._heard = [], 0
        self._accepted, self._asked = self._run.accepted, 0

    def _look_at_register(self) -> None:
        """Ask where no code moves the device, or none could be the part's."""
        table = self._search.table
        offsets = [one.offset_ppm for one in table]
        u = max(one.u_ppm for one in table)
        if max(offsets) - min(offsets) <= max(STEADY_PPM, _CLEAR * math.sqrt(2) * u):
            self.wrong = (
                f"none of {len(table)} codes moves it: is the trimmer connected to "
                "this device, is this the right part?"
            )
            self._note(self.wrong)

    def _beyond(self, mean: float, u: float) -> str:
        tolerance = self._run.plan.part.limits.tolerance_ppm
        if abs(mean) + math.hypot(u, COVERAGE * self._base_u_ppm()) <= tolerance:
            return ""
        return "the best code does not bring it within its tolerance for sure"

    def _base_u_ppm(self) -> float:
        u_ppm = self._run.judge.timebase.u_ppm
        return u_ppm if math.isfinite(u_ppm) else 0.0

    def _compare(
        self, code: int, was: tuple[float, float], now: tuple[float, float]
    ) -> None:
        apart, u = now[0] - was[0], math.hypot(was[1], now[1])
        if abs(apart) > max(_HALF * (self._search.step_ppm or 0.0), u):
            self._note(
                f"it runs {format_ppm(apart, u)} ppm "
                f"from where code {code} had left it: is another code burned?",
                TrimNote(what=DIFFERS, code=code),
            )

    def _mean_and_u(self) -> tuple[float, float]:
        mean, u = _mean(self._offsets_ppm)
        return mean, COVERAGE * u

    def _note_set(self, code: int, rest: str, ppm: float, u_ppm: float) -> None:
        said = f"{format_ppm(ppm, u_ppm)} +- {format_u_ppm(u_ppm)} ppm"
        best = self._search.best.code
        note = TrimNote(
            what=SET,
            code=code,
            offset_ppm=ppm,
            u_ppm=u_ppm,
            step_ppm=self._search.step_ppm,
            steps=self._search.steps,
            best=None if code == best else best,
        )
        name = f"best code {code}" if code == best else f"code {code}, not {best},"
        self._note(f"{name} is set, for now: {said}; {rest}", note)

    def _note_after(
        self, name: str, what: str, code: int, ppm: float, u_ppm: float
    ) -> None:
        said = f"{format_ppm(ppm, u_ppm)} +- {format_u_ppm(u_ppm)} ppm"
        note = TrimNote(what=what, code=code, offset_ppm=ppm, u_ppm=u_ppm)
        self._note(f"after {name}: {said}", note)

    def _offset_ppm(self, reading: Reading) -> float:
        base_ppm = self._run.judge.timebase.offset_ppm
        return offset_ppm(reading.frequency_hz, self._nominal_hz) + base_ppm

    def _note(self, text: str, note: TrimNote | None = None) -> None:
        raw = b"" if note is None else note.raw()
        self._keeper.book.runs.note(self._run, EventKind.TRIM, text, raw=raw)


def _mean(values: Sequence[float]) -> tuple[float, float]:
    n = len(values)
    if n < 2:
        return (values[0] if n else math.nan, math.nan)
    mean = math.fsum(values) / n
    spread = math.fsum((v - mean) ** 2 for v in values) / (n - 1)
    return mean, math.sqrt(spread / n)


def search_of(trim: TrimRange, start: int | None) -> TrimSearch:
    """Return the search among the codes of a part. Raises UsageError for `start`."""
    try:
        return TrimSearch(trim, start)
    except DataError as error:
        raise UsageError(f"{error}; begin at one of these") from error
