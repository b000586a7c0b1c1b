"""A run read from the store and judged: the one place where that is done.

`evaluate` reads all that is stored of a run; `RunEvaluator` is fed piece by piece, by
whoever follows a run while it is measured. Memory does not grow with a run of readings;
of pulses, the trains are kept.
"""

from collections.abc import Callable, Iterator
from copy import deepcopy
from dataclasses import dataclass, replace
from typing import Final, Literal

import numpy as np

from benchlog.analysis.pulses.train import PulseCounts
from benchlog.analysis.pulses.trains import TrainComparison
from benchlog.errors import DataError
from benchlog.evaluation.figured import figured, figured_pulses
from benchlog.evaluation.judged_alone import judged_alone
from benchlog.evaluation.learnt_soaks import as_counted
from benchlog.evaluation.run_time.own_time import OwnTime
from benchlog.keepers import state_of
from benchlog.model import (
    Columns,
    Decision,
    Pulses,
    Purpose,
    ReferenceCheck,
    Run,
    Timebase,
    does_not_count_text,
)
from benchlog.model.counting import LEFT_OPEN, NOT_ENDED
from benchlog.store.arrays import joined
from benchlog.store.reader import Reader
from benchlog.verdict.run.assessment import Assessment
from benchlog.verdict.run.early_stop import as_ended
from benchlog.verdict.run.judges import AnyJudge, judge_for
from benchlog.verdict.run.pulse_judge import PulseJudge
from benchlog.verdict.run.reasons import NO_LIMIT
from benchlog.verdict.soak.soak_summary import SoakSummary, SoakWatch
from benchlog.verdict.timebase.check_validity import KnownChecks, as_known

Progress = Callable[[int, int], object]
"""Told how many readings are done, and how many there are."""
SummaryWish = Literal["never", "long", "always"]
BROKEN_OFF: Final = "broken off"
"""The state of a run that has not ended and that nobody keeps."""
LONG_S: Final = 3600.0  # our rule: shorter runs are seen whole
"""A run of this length gets a summary of how it went, whatever it was for."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Evaluation:
    """What is known of a run; None is unknown, or was not asked for.

    Parameters
    ----------
    run : Run
        As amended, with what is known by now of the check behind it.
    assessment : Assessment
        Figures and verdict.
    state : str
        `ended`, `running` or `broken off`; empty where nobody asked the keeper.
    kept_check : (number, ReferenceCheck) | None
        The reference check that came of it.
    columns : Columns | None
        All its readings; of pulses, offsets over stretches of the run in their form.
    pulses : TrainComparison | None
        The trains of a run of pulses; None while there is too little.
    summary : SoakSummary | None
        How a long run went.

    """

    run: Run
    assessment: Assessment
    state: str = ""
    kept_check: tuple[int, ReferenceCheck] | None = None
    columns: Columns | None = None
    pulses: TrainComparison | None = None
    summary: SoakSummary | None = None

    @property
    def simulated(self) -> bool:
        """Whether the run, or any reading of it, is simulated."""
        return self.run.simulated or self.assessment.stats.simulated

    @property
    def decision(self) -> Decision:
        """The verdict; a damaged device has failed, whatever its frequency is."""
        return Decision.FAIL if self.run.damaged else self.assessment.word

    @property
    def why_not_counted(self) -> str:
        """Why the run does not count; empty where it counts."""
        why = self.run.why_not_counted
        is_left = why == NOT_ENDED and self.state == BROKEN_OFF
        return LEFT_OPEN if is_left else why

    @property
    def not_counted_text(self) -> str:
        """The words in place of the verdict; empty where it counts, or still may."""
        goes_on = self.run.open and self.state != BROKEN_OFF
        return "" if goes_on else does_not_count_text(self.why_not_counted)

    @property
    def checked_instrument(self) -> str:
        """The instrument whose time base the run checks; empty when it is no check."""
        return self.run.checks or ""

    @property
    def reasons(self) -> tuple[str, ...]:
        """Why the verdict is what it is; a check of a time base judges nothing."""
        why = self.assessment.reasons
        if not self.checked_instrument:
            return why
        said = (
            "no device is judged: the time base of "
            f"{self.checked_instrument!r} was checked by this run"
        )
        return (said, *(one for one in why if one != NO_LIMIT))


class RunEvaluator:
    """Takes in readings or pulses of a run in their order; says what they mean so far.

    `summarize` keeps besides what `summary` needs. `run` may be one that is judged
    otherwise than it is stored: on another part, or another time base.
    """

    def __init__(self, run: Run, *, summarize: bool = False) -> None:
        self.run = run
        self.judge: AnyJudge = judge_for(run)
        self._watch = SoakWatch(run) if summarize else None
        self.own_time = OwnTime(steadily=summarize)

    def feed_from(self, reader: Reader, columns: Columns) -> int:
        """Take in readings as `feed` does; learn when their segments really began."""
        self.own_time.learn(reader, self.run, columns, self.judge)
        return self.feed(columns)

    @property
    def of_pulses(self) -> bool:
        """Whether the run is made of pulses, not of readings."""
        return isinstance(self.judge, PulseJudge)

    @property
    def timebase(self) -> Timebase:
        """What the figures are corrected for."""
        return self.judge.timebase

    def feed(self, batch: Columns | Pulses) -> int:
        """Take in what comes next; return how many readings, or pulses of the device.

        Raises DataError for readings that are out of order, NoFiguresError for numbers
        of which no figure can be made.
        """
        if isinstance(batch, Pulses):
            self.judge.feed(figured_pulses(self.run.id, batch))
            return self._of_device(batch)
        self.judge.feed(figured(self.run.id, batch))
        if self._watch is not None:
            self._watch.feed(*self.own_time.of_readings(batch))
        return len(batch)

    def _of_device(self, pulses: Pulses) -> int:
        if not isinstance(self.judge, PulseJudge):
            return 0
        return int(np.sum(pulses.instrument == self.judge.trains.device))

    def assessment(self) -> Assessment:
        """Return figures and verdict so far; none of a run that was cut short."""
        return as_ended(self.run, self.judge.assessment())

    def charted(self) -> Columns:
        """Return offsets over stretches of a run of pulses, in the form of readings.

        They are worked out, not measured; none while there is too little. Raises
        DataError for a run of readings: whoever has fed them has them.
        """
        if not isinstance(self.judge, PulseJudge):
            raise DataError(f"run {self.run.id} has readings, and no pulses")
        return self.judge.charted()

    def trains(self) -> tuple[TrainComparison, tuple[PulseCounts, PulseCounts]]:
        """Return the pulse trains compared, and what pulses device and reference had.

        Raises DataError for a run of readings, and while there is too little.
        """
        if not isinstance(self.judge, PulseJudge):
            raise DataError(f"run {self.run.id} has readings, and no pulses")
        return self.judge.comparison(), self.judge.counts()

    def rate_doubt(self) -> str:
        """Return what is wrong where pulses come at another rate than stated."""
        return self.judge.doubt() if isinstance(self.judge, PulseJudge) else ""

    def watched(self) -> SoakWatch:
        """Return what `summary` is worked out of, as a copy to hand to a thread.

        Raises DataError where the run is not summarized.
        """
        if self._watch is None:
            raise DataError("there is no summary of this run yet")
        if not self.of_pulses:
            return deepcopy(self._watch)
        watch = SoakWatch(self.run)
        watch.feed(self.charted())
        return watch


def evaluate(
    reader: Reader,
    run: Run | int,
    *,
    progress: Progress | None = None,
    summary: SummaryWish = "never",
    whole: bool = False,
    each: Callable[[Columns], object] | None = None,
    checks: KnownChecks | None = None,
) -> Evaluation:
    """Read all of a run and return what is known of it.

    Parameters
    ----------
    reader : Reader
        The database.
    run : Run | int
        Its number; or the run as it is to be judged, on another part for example.
    progress : callable | None
        Told how many readings are done and how many there are.
    summary : str
        Whether to work out how the run went: `never`, `long` (of a soak, and of any
        run of an hour or more), or `always`.
    whole : bool
        Give all readings as `columns`; memory grows with the run then.
    each : callable | None
        Given what `columns` would hold, in chunks.
    checks : KnownChecks | None
        What is known of the reference checks of the database, read before.

    Raises
    ------
    NotFoundError
        There is no such run.
    StoreError
        The database cannot be read.
    UnreadableRunError
        What is recorded of the run is so damaged that no figures come of it.

    """
    run = reader.run(run) if isinstance(run, int) else run
    with judged_alone(run):
        if checks is None:
            known = known_now(reader, run)
        else:
            known = as_counted(reader, checks.of(run))
        evaluator = RunEvaluator(known, summarize=summary != "never")
        kept: list[Columns] = []
        for columns in feed_all(reader, evaluator, progress):
            if whole:
                kept.append(columns)
            if each is not None:
                each(columns)
        if each is not None and evaluator.of_pulses:
            each(evaluator.charted())
        found = Evaluation(
            run=known,
            assessment=evaluator.assessment(),
            state=state_of(known, reader.original),
            kept_check=_kept_check(reader, known),
            columns=_columns(reader, evaluator, kept) if whole else None,
            pulses=_trains(evaluator),
        )
        if not _is_wanted(summary, found):
            return found
        watch = evaluator.watched()
        events = evaluator.own_time.of_events(reader, known)
        del evaluator, kept  # they take more room than the summary's laws should add to
        return replace(found, summary=watch.summary(found.assessment, events))


def assess(reader: Reader, run: Run) -> Assessment:
    """Return figures and verdict of a run as it is given, from all that is stored.

    Raises UnreadableRunError as `evaluate`.
    """
    with judged_alone(run):
        return fed(reader, run).assessment()


def with_figures(run: Run, assessment: Assessment) -> Run:
    """Return a run with a verdict as if it were stored, for lists of runs."""
    return replace(
        run,
        verdict=str(assessment.word),
        judged_readings=assessment.stats.n,
        offset_ppm=assessment.offset_ppm,
        u_ppm=assessment.u_ppm,
    )


def fed(reader: Reader, run: Run) -> RunEvaluator:
    """Return an evaluator that has gone through all that is stored of a run."""
    evaluator = RunEvaluator(run)
    for _ in feed_all(reader, evaluator):
        pass
    return evaluator


def feed_all(
    reader: Reader, evaluator: RunEvaluator, progress: Progress | None = None
) -> Iterator[Columns]:
    """Feed all that is stored of a run; yield its readings as they go, in chunks."""
    run_id = evaluator.run.id
    done, in_all = 0, reader.count(run_id) if progress is not None else 0
    for columns in reader.chunks(run_id):
        done += evaluator.feed_from(reader, columns)
        if progress is not None:
            progress(done, in_all)
        yield columns
    if evaluator.of_pulses:
        evaluator.feed(reader.pulses_after(run_id))


def known_now(reader: Reader, run: Run) -> Run:
    """Return the run with what speaks by now against its check and its soak."""
    known = as_known(run, (check for _, check in reader.reference_checks()))
    return as_counted(reader, known)


def _kept_check(reader: Reader, run: Run) -> tuple[int, ReferenceCheck] | None:
    found = (one for one in reader.reference_checks() if one[1].run_id == run.id)
    return next(found, None)


def _columns(reader: Reader, evaluator: RunEvaluator, kept: list[Columns]) -> Columns:
    if evaluator.of_pulses:
        return evaluator.charted()
    return joined(kept) if kept else reader.columns_after(evaluator.run.id)


def _trains(evaluator: RunEvaluator) -> TrainComparison | None:
    try:
        return evaluator.trains()[0]
    except DataError:
        return None


def _is_wanted(summary: SummaryWish, found: Evaluation) -> bool:
    """Whether it is worth saying how a run went.

    Of a device in a rack its steps say so: a drift over a sequence is none of its own.
    """
    if summary == "long" and found.run.qualification_told is not None:
        return False
    is_soak = found.run.made_for is Purpose.SOAK
    is_long = is_soak or found.assessment.stats.span_s >= LONG_S
    return summary == "always" or (summary == "long" and is_long)
