"""The sections of a comparison: what differs, by how much, and how sure that is."""

from collections.abc import Iterator

from benchlog.analysis.stability.estimation import Stability
from benchlog.analysis.thinning import ThinnedRun
from benchlog.evaluation.comparison import ComparedRun, RunComparison
from benchlog.pages.charts import time_unit
from benchlog.pages.common_sections import budget_table
from benchlog.pages.content import (
    Block,
    Chart,
    Notice,
    Prose,
    Ruling,
    Section,
    Table,
    outside,
    printed,
    section,
    table,
    whole_utc,
)
from benchlog.plotting.pictures import SERIES, new_figure
from benchlog.plotting.result_pictures import draw_stability, drawn_rows
from benchlog.units import (
    as_stated,
    ends_texts,
    format_ppm,
    format_u_ppm,
    three_digits,
)
from benchlog.verdict.run.comparison import Difference, delta_text, in_words, ratio_text

SOURCES = (
    "Scatter: Allan deviations at the gate, with the degrees of freedom of the noise. "
    "Of runs taken apart: F quantiles; of paired readings: E. J. G. Pitman, "
    "W. A. Morgan, Biometrika 31 (1939).",
)
_STYLES = ("-", "--", "-.", ":")


def compare_sections(found: RunComparison) -> Iterator[Section]:
    """Yield what a page says of a comparison."""
    yield section("What came out", *_answers(found))
    yield section("Runs", _runs(found))
    yield section("Differences", _differences(found), Prose(_HOW))
    yield section("Course", _courses(found))
    yield section("Stability", _stabilities(found))
    yield section("Instruments", _identity(found))
    for one in found.differences:
        title = f"Uncertainty of run {one.b.run} less run {one.a.run}"
        yield section(title, _budget(one))


_HOW = (
    "A difference is told when it is larger than its expanded uncertainty (95 %), each "
    "by itself. What both runs share falls out: the time base of one counter, and what "
    "moved both devices while they were measured at the same time.",
)


def _answers(found: RunComparison) -> Iterator[Block]:
    if any(one.run.simulated for one in found.runs):
        yield Notice("Simulated data: nothing here was measured on real devices.")
    for one in found.runs:
        if said := one.evaluation.not_counted_text:
            yield Notice(f"Run {one.run.id} {printed(said)}")
    for pair in found.differences:
        head = f"Run {pair.b.run} ({printed(pair.b.name)}) against run {pair.a.run}"
        yield Ruling("none", head, (*in_words(pair), *map(printed, pair.notes)))


def _runs(found: RunComparison) -> Table:
    rows = [_run(one) for one in found.runs]
    headers = ("Run", "Device", "Part", "Begun, UTC", "Offset, ppm", "U, ppm")
    head = (*headers, "Jitter, ppm", "Ambient, C", "Readings", "Verdict")
    return table("The runs", head, rows, "rlllrrrrr")


def _run(one: ComparedRun) -> tuple[object, ...]:
    found, stats = one.evaluation.assessment, one.evaluation.assessment.stats
    ambient, rms = stats.ambient_mean_c, stats.jitter_ppm_rms
    return (
        one.run.id,
        outside(one.run.device),
        one.run.part.id,
        whole_utc(one.run.made_utc_ns[0]).removesuffix(" UTC"),
        format_ppm(found.offset_ppm, found.u_ppm),
        format_u_ppm(found.u_ppm),
        "" if rms is None else three_digits(rms),
        "" if ambient is None else f"{ambient:.1f}",
        f"{stats.n:,}",
        printed(one.evaluation.not_counted_text) or one.evaluation.decision.value,
    )


def _differences(found: RunComparison) -> Table:
    rows = [
        (
            f"{one.b.run} - {one.a.run}",
            delta_text(one.delta_ppm, one.budget),
            delta_text(one.farther_ppm, one.farther_budget),
            ratio_text(one),
            "pair by pair" if one.paired else "apart",
        )
        for one in found.differences
    ]
    headers = ("Runs", "Offset", "Farther from nominal", "Scatter, ratio", "Compared")
    return table("Differences with 95 % intervals", headers, rows, "lrrr")


def _courses(found: RunComparison) -> Chart | None:
    drawn = [(one.run.id, one.trace) for one in found.runs if one.trace is not None]
    if not drawn:
        return None
    worth_s, unit = time_unit(max(float(trace.t_s[-1]) for _, trace in drawn))
    figure, (axes,) = new_figure(size=(7.2, 3.4))
    for number, (run, trace) in enumerate(drawn):
        colour = SERIES[number % len(SERIES)]
        t = trace.t_s / worth_s
        if trace.thinned:
            axes.fill_between(t, trace.low_ppm, trace.high_ppm, color=colour, alpha=0.3)
        style = _STYLES[number % len(_STYLES)]
        axes.plot(
            t, trace.mean_ppm, style, color=colour, linewidth=1.2, label=f"run {run}"
        )
    axes.set(xlabel=f"time since each first reading, {unit}", ylabel="offset, ppm")
    axes.legend(frameon=False)
    words = "; ".join(
        f"run {run} from {' to '.join(_reached(one))} ppm" for run, one in drawn
    )
    return Chart("Offsets against time, corrected, on the same axes", words, figure)


def _reached(trace: ThinnedRun) -> tuple[str, str]:
    return ends_texts(float(trace.low_ppm.min()), float(trace.high_ppm.max()))


def _stabilities(found: RunComparison) -> Chart | None:
    drawn = [
        (one.run.id, one.stability)
        for one in found.runs
        if one.stability is not None and drawn_rows(one.stability)
    ]
    if not drawn:
        return None
    figure, (axes,) = new_figure(size=(7.2, 3.6))
    draw_stability(axes, [one for _, one in drawn], [f"run {run}" for run, _ in drawn])
    words = "; ".join(f"run {run}: {_ends(one)}" for run, one in drawn)
    return Chart(
        "Allan deviation against averaging time, 95 % intervals", words, figure
    )


def _ends(one: Stability) -> str:
    rows = drawn_rows(one)
    first, last = rows[0], rows[-1]
    return (
        f"{three_digits(first.value or 0.0)} at {as_stated(first.tau_s, 4)} s to "
        f"{three_digits(last.value or 0.0)} at {as_stated(last.tau_s, 4)} s"
    )


def _budget(one: Difference) -> Table | None:
    if one.budget is None:
        return None
    return budget_table(one.budget, "Uncertainty budget of the difference")


def _identity(found: RunComparison) -> Table:
    rows = [
        (
            one.run.id,
            outside(f"{one.run.bench}, {one.run.position}"),
            "; ".join(
                f"{name}: {known.text}" for name, known in one.run.identities.items()
            ),
            _base(one),
            outside(one.run.operator),
            one.run.software,
        )
        for one in found.runs
    ]
    headers = ("Run", "Bench", "Instruments", "Time base", "Operator", "Measured with")
    return table("Operators and instruments", headers, rows, "r")


def _base(one: ComparedRun) -> str:
    base = one.evaluation.assessment.timebase
    offset, u = format_ppm(base.offset_ppm, base.u_ppm), format_u_ppm(base.u_ppm)
    return f"{base.status}: {offset} ppm, u {u} ppm"
