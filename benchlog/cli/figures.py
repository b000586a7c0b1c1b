"""One run's figures: evaluated with progress, and said in a few aligned lines."""

from collections.abc import Iterable
from typing import TYPE_CHECKING, Final

from benchlog.cli.printing import pairs
from benchlog.cli.progress import Progress
from benchlog.model import Decision

if TYPE_CHECKING:
    from benchlog.evaluation.run_evaluation import Evaluation, Wanted
    from benchlog.model import Run
    from benchlog.store.reader import Reader

EXIT_CODES: Final = {Decision.PASS: 0, Decision.UNDECIDED: 4, Decision.FAIL: 3}
"""The exit code of each verdict, from best to worst."""


def evaluated(
    reader: "Reader", run: "Run | int", *, summary: "Wanted" = "never"
) -> "Evaluation":
    """Evaluate a run as `benchlog.evaluation.evaluate` does, with progress."""
    from benchlog.evaluation.run_evaluation import evaluate

    number = run if isinstance(run, int) else run.id
    with Progress(f"reading run {number}") as progress:
        return evaluate(reader, run, progress=progress.reached, summary=summary)


def exit_code(words: Iterable[Decision]) -> int:
    """Return the exit code of the worst verdict; without any it is undecided."""
    ranks = list(EXIT_CODES)
    return EXIT_CODES[max(words, key=ranks.index, default=Decision.UNDECIDED)]


def text_of(evaluation: "Evaluation") -> str:
    """Return what is known of a run as a person reads it."""
    from benchlog.evaluation.wording import TERMINAL, run_facts

    return pairs(run_facts(evaluation, TERMINAL))
