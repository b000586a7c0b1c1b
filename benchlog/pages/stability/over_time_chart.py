"""The chart of stability over the time of a run."""

from benchlog.analysis.stability.over_time import StabilityOverTime
from benchlog.evaluation.stability.over_time_wording import over_time_text
from benchlog.pages.content import Chart
from benchlog.plotting.over_time_picture import draw_over_time
from benchlog.plotting.pictures import new_figure
from benchlog.units import format_duration


def over_time_chart(found: StabilityOverTime, begun_utc_ns: int | None) -> Chart:
    """Draw a deviation against averaging time and time."""
    figure, (axes,) = new_figure(size=(7.2, 3.4))
    draw_over_time(figure, axes, found)
    framed = "; frames: changes that chance would not give" if found.changes else ""
    return Chart(
        f"{found.kind} over stretches of {format_duration(found.window_s)} along the "
        f"run, against the usual of each averaging time{framed}",
        " ".join(over_time_text(found, begun_utc_ns)),
        figure,
    )
