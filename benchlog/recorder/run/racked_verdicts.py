"""The verdicts of a rack, kept when all of its runs are over."""

from collections.abc import Sequence
from contextlib import closing
from functools import partial

from benchlog.evaluation.rack.kept_verdict import kept_verdict
from benchlog.evaluation.rack.one_run import Racks
from benchlog.evaluation.run_evaluation import Evaluation
from benchlog.recorder.boundary import Boundary
from benchlog.recorder.run.run_start import patiently
from benchlog.store.reader import Reader
from benchlog.store.rows import VerdictRow
from benchlog.store.writer import Writer


def keep_racked(
    racked: Sequence[Evaluation], rule: str, writer: Writer, boundary: Boundary
) -> None:
    """Keep what a rack found of each device, under the rule that judged them.

    It takes seconds, in which no setter would hear of its keeper. A device that cannot
    be judged is told of by the boundary, and takes no other with it.
    """
    rows: list[tuple[int, VerdictRow]] = []
    with closing(Reader.open(writer.path)) as reader:
        racks = Racks(reader)
        for one in racked:
            with boundary.round(f"the verdict of run {one.run.id}"):
                rows.append((one.run.id, kept_verdict(racks, one, rule)))
    for run_id, row in rows:
        with boundary.round(f"keeping the verdict of run {run_id}"):
            patiently(partial(writer.add_verdict, run_id, row))
