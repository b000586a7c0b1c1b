"""`benchlog stability --over-time`: how a deviation changed along a run."""

import textwrap
from typing import Any, Final

from benchlog.analysis.series import Series, outliers, without, without_drift
from benchlog.analysis.stability.over_time import StabilityOverTime
from benchlog.cli.printing import (
    print_json,
    print_text,
)
from benchlog.evaluation.stability.over_time_wording import (
    over_time_document,
    over_time_text,
)
from benchlog.evaluation.stability.run_over_time import run_over_time
from benchlog.model import Run
from benchlog.store.reader import Reader
from benchlog.units import (
    as_stated,
    format_duration,
    printable,
)

_WIDTH: Final = 80


def tell_over_time(
    reader: Reader, run: Run, series: Series, wish: dict[str, Any], *, as_json: bool
) -> None:
    """Print the map of a run, or its document; write the picture that was asked for."""
    if wish["leave_out_outliers"]:
        series = without(series, outliers(series))
    if wish["remove_drift"]:
        series = without_drift(series)
    along = run_over_time(reader, run, series, wish["kind"], wish["window"])
    found, begun_utc_ns = along.found, along.begun_utc_ns
    words = over_time_text(found, begun_utc_ns)
    if wish["plot"]:
        from benchlog.plotting.over_time_picture import plot_over_time

        plot_over_time(found, wish["plot"], _title(run, found), " ".join(words))
    if as_json:
        print_json(
            over_time_document(found, run.id, begun_utc_ns, simulated=run.simulated),
            "stability-over-time",
        )
    else:
        print_text(text_of(run, found, words))


def text_of(run: Run, found: StabilityOverTime, words: tuple[str, ...]) -> str:
    """Return heading, sentences and map as a person reads them."""
    from benchlog.plotting.shaded_map import shaded_map, shades_text

    drawn = shaded_map(
        found.values,
        [as_stated(tau_s, 4) for tau_s in found.tau_s],
        (format_duration(float(found.t_s[0])), format_duration(float(found.t_s[-1]))),
        "tau/s",
    )
    blocks = (
        _title(run, found),
        "\n".join(map(_wrapped, words)),
        drawn,
        _wrapped(shades_text()),
    )
    return "\n\n".join(blocks)


def _title(run: Run, found: StabilityOverTime) -> str:
    said = ", simulated" if run.simulated else ""
    over = format_duration(found.window_s)
    return (
        f"{found.kind} of {printable(run.device)}, run {run.id}{said}, over stretches "
        f"of {over}"
    )


def _wrapped(text: str) -> str:
    return textwrap.fill(text, _WIDTH, subsequent_indent="  ", break_on_hyphens=False)
