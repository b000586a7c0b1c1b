"""Pictures of a run as matplotlib figures: those of its page."""

from collections.abc import Callable
from typing import TYPE_CHECKING, Final, Literal

from benchlog.errors import DataError, UsageError
from benchlog.library.recorded import Source, opened, run_of
from benchlog.pages.charts import course_chart, histogram_chart, standing_chart
from benchlog.pages.content import Chart
from benchlog.pages.run_record import RunRecord, run_record
from benchlog.pages.study_charts import stability_chart

if TYPE_CHECKING:
    from matplotlib.figure import Figure

Picture = Literal["course", "limits", "scatter", "stability"]
"""Offset against time; offset between its limits; a histogram; deviations."""


def plot(source: Source, run: int | str, picture: Picture = "course") -> "Figure":
    """Draw a picture of a run and return it as a matplotlib figure.

    `course` is offset against time, `limits` the offset with its U between the limits,
    `scatter` a histogram of the readings, `stability` the Allan deviation against
    averaging time. `run` as in `readings`. Nothing is shown or written: a notebook
    shows the figure, its `savefig` writes it.

    Raises UsageError for another picture, DataError where the readings give none,
    NotFoundError, StoreError.
    """
    if picture not in _DRAWN:
        known = ", ".join(_DRAWN)
        raise UsageError(f"there is no picture {picture!r} of a run; known: {known}")
    with opened(source) as records:
        found = run_of(records, run)
        chart = _DRAWN[picture](run_record(records.reader, found.row))
    if chart is None:
        raise DataError(f"run {found.id} gives no picture {picture!r}")
    return chart.figure


def _course(record: RunRecord) -> Chart | None:
    if record.trace is None:
        return None
    return course_chart(record.trace, record.assessment, record.steps)


def _stability(record: RunRecord) -> Chart | None:
    return None if record.stability is None else stability_chart(record.stability)


_DRAWN: Final[dict[str, Callable[[RunRecord], Chart | None]]] = {
    "course": _course,
    "limits": lambda one: standing_chart(one.assessment),
    "scatter": lambda one: histogram_chart(one.spread, one.assessment),
    "stability": _stability,
}
