"""The verdict that is kept of a run: of a rack's device, what its sequence found."""

from collections.abc import Mapping
from dataclasses import replace
from typing import Any, Final

from benchlog.evaluation.document import verdict_row
from benchlog.evaluation.rack.one_run import Racks, found_figures
from benchlog.evaluation.run_evaluation import Evaluation
from benchlog.store.rows import VerdictRow

OF_A_RACK: Final = "qualification"
"""Our rule: this figure tells a rack's verdict from one of the mean over all places."""
_RULE: Final = "the worst of what the sequence found; each by "


def kept_verdict(
    racks: Racks,
    evaluation: Evaluation,
    rule: str,
    more: Mapping[str, Any] | None = None,
) -> VerdictRow:
    """Return a verdict as it is kept; `more` goes with its figures.

    Whoever reads the kept row finds what lists and `show` tell of the run.
    """
    row = verdict_row(evaluation, rule, more)
    one = racks.device_of(evaluation.run)
    if one is None:
        return row
    from benchlog.evaluation.rack_study import (  # noqa: PLC0415 - SciPy for racks
        known_plan,
    )

    found = found_figures(one)
    numbers = ("offset_ppm", "u_ppm", "limit_ppm", "conformance")
    return replace(
        row,
        word=found["verdict"],
        rule=_RULE + rule,
        figures={**row.figures, **found, OF_A_RACK: known_plan(one.run).uid},
        **{name: found[name] for name in numbers},
    )
