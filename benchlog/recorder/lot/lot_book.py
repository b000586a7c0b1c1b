"""How a lot stands by its rows in the database, for the keeper that inspects it."""

from collections import Counter
from collections.abc import Collection
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Final
from unicodedata import normalize

from benchlog.clock import Clock
from benchlog.errors import BusyError
from benchlog.evaluation.coded_runs import scanned_device
from benchlog.evaluation.document import verdict_row
from benchlog.evaluation.run_evaluation import Evaluation, assess
from benchlog.keepers import state_of
from benchlog.model import (
    Decision,
    Event,
    EventKind,
    Lot,
    LotRun,
    Purpose,
    RunPlan,
)
from benchlog.model.trims import BURN_BEGUN, SET, trim_notes
from benchlog.recorder.lot.burn_contract import BurnBefore
from benchlog.recorder.lot.undo import OVERTAKEN, Act, newest_act
from benchlog.recorder.run.bookkeeper import RULE
from benchlog.store.reader import Reader
from benchlog.store.snapshot import UNREADABLE
from benchlog.store.writer import Writer
from benchlog.units import format_ppm, format_u_ppm, printable
from benchlog.verdict.lot.lot_decision import (
    LotDecision,
    LotResult,
    UndecidedRule,
    decide_lot,
    undecided_lot,
)
from benchlog.verdict.lot.lot_runs import (
    begun_here,
    held_runs,
    overtaken,
    results_of,
    tightest_ppm,
    word_of,
)
from benchlog.verdict.lot.sampling_plan import Plan

NUMBER_DIGITS: Final = 4  # our rule: ids sort up to 9,999 devices


@dataclass(frozen=True, slots=True, kw_only=True)
class Task:
    """A lot to be inspected.

    Parameters
    ----------
    lot : Lot
        As it stands in the database.
    plan : Plan | None
        How it is sampled; None where every device that comes is taken.
    templates : tuple of RunPlan
        One for each position; their device is filled in.
    rule : UndecidedRule
        What an undecided device counts as.
    watched : bool
        Devices are seen to come and go; else an id means that it is inserted now.
    prefix : str
        Devices are numbered by themselves behind this; empty where they have ids.
    again : bool
        Undecided devices are measured again when their id comes.
    alone : bool
        Nobody looks on who would end it: it ends when the lot is decided.

    """

    lot: Lot
    plan: Plan | None
    templates: tuple[RunPlan, ...]
    rule: UndecidedRule = UndecidedRule.OPEN
    watched: bool = False
    prefix: str = ""
    again: bool = False
    alone: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class TrimTask(Task):
    """A lot whose devices are trimmed one after the other.

    `start` is the code to begin at; `burn` makes each best code permanent, as the bench
    file says. `supplies` are the addresses of supplies that are held for that.
    """

    start: int | None = None
    burn: bool = False
    supplies: tuple[str, ...] = ()


class LotBook:
    """The lot's runs, read anew whenever one has ended."""

    def __init__(self, task: Task, database: Path, writer: Writer, clock: Clock):
        self.task, self._database = task, database
        self._writer, self._clock = writer, clock
        self.runs: list[LotRun] = []
        self.refresh()
        self._skips = Counter(run.device for run in self.runs if run.counts)

    def refresh(self) -> LotDecision:
        """Read the runs anew; note the decision with the lot and return it."""
        with closing(Reader.open(self._database)) as reader:
            self.runs = reader.lot_runs(self.task.lot, self.purpose)
            merged = reader.came_by_merge(self.runs)
        self._begun = begun_here(self.runs, merged)
        self.results, plan = results_of(self.runs), self.task.plan
        if plan is None:
            self.standing = undecided_lot(self.results, self.task.rule)
        else:
            self.standing = decide_lot(plan, self.results, self.task.rule)
        return self.standing

    @property
    def purpose(self) -> Purpose:
        """What its runs are for."""
        return self.task.templates[0].purpose

    def decide(self) -> LotDecision:
        """As `refresh`, and note the decision with the lot."""
        self.refresh()
        found = self._without_overtaken()
        lot = self.task.lot
        if self.task.plan is not None:
            self._writer.decide_lot(lot.part_id, lot.lot, str(found.decision))
        return found

    # --- which device is to be measured -----------------------------------------------

    def device_of(self, text: str) -> str:
        """Return the device that was typed, or whose label was scanned.

        An accented letter can come as one sign or as two that look the same: an id is
        one device however it came, by the spelling that the lot has of it.
        Raises NotFoundError for the label of a run that is not in this database.
        """
        with closing(Reader.open(self._database)) as reader:
            meant = scanned_device(reader, text)
        known = {run.device for run in self.runs}
        if meant in known:
            return meant
        shape = normalize("NFC", meant)
        alike = (one for one in sorted(known) if normalize("NFC", one) == shape)
        return next(alike, meant)

    def refusal(self, device: str) -> str:
        """Return why a device is not measured now, empty when it is.

        What an earlier session has measured is skipped as often as it was: a list of
        ids can be given again from its beginning.
        """
        known = next((one for one in self.results if one.device == device), None)
        undecided = known is not None and known.word is Decision.UNDECIDED
        already = f"measured already, {known.word} in run {known.run}" if known else ""
        if self._skips[device] > 0:
            self._skips[device] -= 1
            if not (self.task.again and undecided):
                return already or "measured already"
        if self.complete and not undecided:
            full = f"the sample of {self.sample_size} is complete"
            return f"{already}, and {full}" if already else full
        return ""

    def times(self, device: str) -> int:
        """How many runs of a device count."""
        return sum(run.device == device and run.counts for run in self.runs)

    def next_number(self, taken: Collection[str] = ()) -> str:
        """Return the next id for a device without one; `taken` are under way."""
        used = {run.device for run in self.runs} | set(taken)
        for number in range(1, len(used) + 2):
            device = f"{self.task.prefix}{number:0{NUMBER_DIGITS}d}"
            if device not in used:
                return device
        raise AssertionError("more numbers than runs")

    @property
    def complete(self) -> bool:
        """Whether as many devices as the plan wants have been measured."""
        return not self.has_room(0)

    def has_room(self, under_way: int) -> bool:
        """Whether more devices are wanted than are under way."""
        return self.task.plan is None or self.standing.remaining > under_way

    @property
    def sample_size(self) -> int:
        """How many devices the plan wants; without one those that there are."""
        plan = self.task.plan
        return len(self.results) if plan is None else plan.sample_size

    @property
    def over(self) -> bool:
        """Whether there is nothing left to do."""
        return self.complete and self.standing.decision is not LotResult.OPEN

    def newest(self, position: str = "") -> LotRun | None:
        """Return the run begun last here, whether it counts, at a position or at any.

        A merge brings in runs of other benches meanwhile, and a clock may be set back:
        neither is what a person has just seen.
        """
        found = self._at(position)
        return found[-1] if found else None

    def last(self, position: str = "") -> LotRun | None:
        """Return the run begun last here that counts, at a position or at any."""
        found = [run for run in self._at(position) if run.counts]
        return found[-1] if found else None

    def homes(self, places: Collection[str]) -> dict[str, str]:
        """Return at which of these places each device was last, by its runs here."""
        return {
            run.device: run.position for run in self._begun if run.position in places
        }

    def begun_run(self, run_id: int) -> LotRun | None:
        """Return a run of the lot that was begun here, None where there is none."""
        return next((run for run in self._begun if run.run == run_id), None)

    def may_be_in(self, position: str) -> bool:
        """Whether the device that was measured last at a position may be in still.

        Asked where a lot is gone on with: nobody has seen it go. One whose run does not
        count is measured anew.
        """
        newest = self.newest(position)
        return newest is not None and bool(newest.counts or newest.held)

    @property
    def held(self) -> tuple[LotRun, ...]:
        """Return the runs that wait for a person's answer, the oldest first."""
        return held_runs(self.runs)

    def counted(self, run_id: int) -> LotRun | None:
        """Return a run if it counts."""
        return next((r for r in self.runs if r.run == run_id and r.counts), None)

    def _at(self, position: str) -> list[LotRun]:
        return [run for run in self._begun if position in ("", run.position)]

    # --- after a break ----------------------------------------------------------------

    def recover(self) -> list[str]:
        """Close what a killed keeper left open; say what was done.

        A run that was broken off is set aside, its readings stay, and its device is
        measured anew. Raises BusyError when another keeper is at work on the lot.
        """
        said = []
        with closing(Reader.open(self._database)) as reader:
            for run in self.runs:
                if run.ended_how is None:
                    said.append(self._close(reader, run))
                elif run.word is None:
                    self._judge(reader, run)
        self.refresh()
        self._without_overtaken()
        self._skips = Counter(run.device for run in self.runs if run.counts)
        return said

    def _close(self, reader: Reader, run: LotRun) -> str:
        if state_of(reader.run(run.run), self._database) == "running":
            raise BusyError(
                f"lot {self.task.lot.lot!r} is being inspected by another keeper; "
                "leave that one first"
            )
        text = "broken off: its keeper was gone; the device is measured anew"
        self.mark(run.run, (EventKind.SET_ASIDE, text))
        self._writer.end_run(run.run, "broken off")
        return f"run {run.run} of {run.device} was broken off and is set aside"

    def _judge(self, reader: Reader, run: LotRun) -> None:
        """Add the verdict that a killed keeper could not add to a complete run."""
        whole = reader.run(run.run)
        found = Evaluation(run=whole, assessment=assess(reader, whole))
        self._writer.add_verdict(run.run, verdict_row(found, RULE))

    def code_of(self, run_id: int) -> int | None:
        """Return the code that a trim left set, None where it left none."""
        with closing(Reader.open(self._database)) as reader:
            notes = trim_notes(event for _, event in reader.events(run_id))
        return next((note.code for note in reversed(notes) if note.what == SET), None)

    def burned_before(self, device: str) -> BurnBefore | None:
        """Return the burn of a device that was begun in this lot, None when none was.

        A run in quarantine tells of it, too. Where nobody can tell, it may have been.
        """
        with closing(Reader.open(self._database)) as reader:
            for run in reader.device_runs(self.task.lot, device, self.purpose):
                try:
                    notes = trim_notes(event for _, event in reader.events(run))
                except UNREADABLE:
                    return BurnBefore(f"whether it was in run {run} cannot be read")
                for note in notes:
                    if note.what == BURN_BEGUN:
                        told = f"a burn of code {note.code} was begun in run {run}"
                        return BurnBefore(told, note.code)
        return None

    def newest_act(self) -> Act | None:
        """Return what a person did last here and has not undone; None: nothing.

        It is found in the runs' events, so a keeper that was killed has not lost it.
        """
        self.refresh()
        with closing(Reader.open(self._database)) as reader:
            return newest_act((run, reader.events(run.run)) for run in self._begun)

    def line_of(self, run: LotRun) -> str:
        """Return device, verdict and offset of a run in a line."""
        word = word_of(run, tightest_ppm(self.runs))
        offset = format_ppm(run.offset_ppm, run.u_ppm)
        return (
            f"{printable(run.device)}  {word.upper()}  {offset} +- "
            f"{format_u_ppm(run.u_ppm)} ppm"
        )

    def mark(self, run_id: int, *told: tuple[EventKind, str]) -> None:
        """Write events into a run that has ended: all of them, or none."""
        now = self._clock.utc_ns(), self._clock.mono_ns()
        self._writer.commit([(run_id, 0, Event(*now, *one)) for one in told])

    def _without_overtaken(self) -> LotDecision:
        """Set runs aside that seem newer than those that were begun after them.

        Of several runs of a device the newest counts, by the wall clock, since a lot
        may have runs of several benches. Where that was set back between two runs of
        this one, the older would count.
        """
        found = overtaken(self._begun)
        for run, newer in found:
            text = f"{OVERTAKEN}measured again in run {newer}, which was begun later"
            self.mark(run, (EventKind.SET_ASIDE, text))
        return self.refresh() if found else self.standing
