"""A run's result in the terminal: figures, exit code, how a long run went."""

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Final

from benchlog.cli.printing import pairs, table
from benchlog.cli.progress import Progress
from benchlog.errors import UnreadableRunError
from benchlog.model import Decision

if TYPE_CHECKING:
    from benchlog.evaluation.rack_study import QualifiedDevice
    from benchlog.evaluation.run_evaluation import Evaluation, SummaryWish
    from benchlog.model import Run
    from benchlog.store.reader import Reader
    from benchlog.verdict.soak.soak_summary import SoakSummary

EXIT_CODES: Final = {Decision.PASS: 0, Decision.UNDECIDED: 4, Decision.FAIL: 3}
"""The exit code of each verdict, from best to worst."""


def evaluated(
    reader: "Reader", run: "Run | int", *, summary: "SummaryWish" = "never"
) -> "Evaluation":
    """Evaluate a run as `benchlog.evaluation.evaluate` does, with progress."""
    from benchlog.evaluation.run_evaluation import evaluate

    number = run if isinstance(run, int) else run.id
    with Progress(f"reading run {number}") as progress:
        return evaluate(reader, run, progress=progress.reached, summary=summary)


def all_evaluated(
    reader: "Reader", run_ids: "Sequence[int]", *, summary: "SummaryWish" = "never"
) -> "list[Evaluation]":
    """Evaluate runs that were measured together; one that cannot be read is left out.

    It is noted in `reader.left_out`. Raises UnreadableRunError where none can be.
    """
    found = []
    for run_id in run_ids:
        try:
            found.append(evaluated(reader, run_id, summary=summary))
        except UnreadableRunError as error:
            reader.leave_out(error)
            if len(reader.left_out) == len(run_ids):
                raise
    return found


def worst_code(reader: "Reader", found: "Sequence[Evaluation]") -> int:
    """Return the exit code of runs; one that was left out of them is undecided."""
    words = [one.decision for one in found]
    return exit_code(words + [Decision.UNDECIDED] * bool(reader.left_out))


def exit_code(words: Iterable[Decision]) -> int:
    """Return the exit code of the worst verdict; without any it is undecided."""
    ranks = list(EXIT_CODES)
    return EXIT_CODES[max(words, key=ranks.index, default=Decision.UNDECIDED)]


def text_of(evaluation: "Evaluation") -> str:
    """Return what is known of a run as a person reads it."""
    from benchlog.evaluation.wording import TERMINAL, run_facts

    return pairs(run_facts(evaluation, TERMINAL))


def text_of_racked(evaluation: "Evaluation", device: "QualifiedDevice") -> str:
    """Return the facts of a run of a rack, and what was found of its device."""
    from benchlog.evaluation.rack.wording import HEADS, device_facts, line_cells
    from benchlog.evaluation.wording import RACK, run_facts

    facts = pairs(
        (
            *run_facts(evaluation, RACK),
            *device_facts(device, evaluation.not_counted_text),
        )
    )
    rows = [line_cells(line) for line in device.found]
    return f"{facts}\n\n{table(HEADS, rows, 'lrrrl')}" if rows else facts


# --- how a long run went, in lines

_HOLES: Final = 20


def summary_text(summary: "SoakSummary") -> str:
    """Return the summary as a person reads it in the morning."""
    from benchlog.verdict.soak.soak_summary_text import hole_rows, summary_facts

    rows = hole_rows(summary, _HOLES)
    facts = pairs(summary_facts(summary))
    if not rows:
        return facts
    more = summary.gaps - len(rows)
    shown = table(("gap (UTC)", "for", "cause", ""), rows)
    return f"{facts}\n\n{shown}" + (f"\nand {more:,} more" if more > 0 else "")
