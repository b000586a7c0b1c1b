"""The sections of one run: verdict first, then what it rests on, then the details."""

from collections.abc import Iterator

from benchlog.evaluation.fitness_wording import fitness_answers, margin_rule
from benchlog.evaluation.run_evaluation import Evaluation
from benchlog.evaluation.stability.over_time_wording import over_time_text
from benchlog.evaluation.stability_table import (
    ALIGNED,
    stability_cells,
    stability_heads,
)
from benchlog.evaluation.verdict_wording import verdict_lines
from benchlog.evaluation.wording import PAGE, run_facts
from benchlog.model import Purpose
from benchlog.pages.charts import course_chart, histogram_chart, standing_chart
from benchlog.pages.common_sections import (
    budget_table,
    events_table,
    hook_up_facts,
    instruments_table,
    part_facts,
    summary_section,
    timebase_facts,
)
from benchlog.pages.content import (
    Block,
    Facts,
    Notice,
    Prose,
    Ruling,
    Section,
    Table,
    facts,
    outside,
    section,
    table,
)
from benchlog.pages.run_record import RunRecord
from benchlog.pages.stability.over_time_chart import over_time_chart
from benchlog.pages.study_charts import stability_chart, temperature_chart, timing_chart
from benchlog.pages.trim_page import trim_ruling, trim_sections
from benchlog.store.rows import ConditionSpan
from benchlog.units import (
    as_stated,
    decimals_for,
    format_ppm,
    format_u_ppm,
    interval_texts,
    iso_utc,
    printable,
    three_digits,
)

_AMENDED = {
    "device": "device id",
    "operator": "measured by",
    "void": "void",
    "restore": "counts again",
}


def run_sections(record: RunRecord) -> Iterator[Section]:
    """Yield what a page says of one run."""
    yield section("Verdict", *_verdict(record))
    if record.run.made_for is Purpose.TRIM:
        yield from trim_sections(record)
    else:
        yield from _measured(record)
    yield section("Part", part_facts(record.run.part))
    yield section(
        "Hook-up and instruments",
        hook_up_facts(record.evaluation),
        instruments_table(record.run),
        timebase_facts(record),
        _conditions(record),
    )
    yield section("Events", *_events(record))
    yield section("Verdicts and amendments", _verdicts(record), _amendments(record))
    if record.run.made_for is not Purpose.TRIM:
        yield section("What this source is good for", *_fitness(record))


def _measured(record: RunRecord) -> Iterator[Section]:
    yield summary_section(record.evaluation.summary)
    yield section("Figures", _figures(record), _budget(record))
    yield section("Course of the run", *_course(record))
    yield section("Stability", *_stability(record))
    yield section("Temperature", *_temperature(record))


def _verdict(record: RunRecord) -> Iterator[Block | None]:
    yield from notices(record)
    if record.run.made_for is Purpose.TRIM:
        if said := record.evaluation.not_counted_text:
            yield Notice(f"This run {printable(said)}.")
        yield trim_ruling(record)
        return
    yield _ruling(record.evaluation)
    yield standing_chart(record.assessment)


def notices(record: RunRecord) -> Iterator[Notice]:
    """Yield what must not be overlooked of a run."""
    run, doubt = record.run, record.assessment.timebase.doubt
    if record.evaluation.simulated:
        yield Notice("Simulated data: nothing here was measured on a real device.")
    if doubt:
        yield Notice(f"In doubt: {printable(doubt)}.")
    if run.typed_device is not None:
        typed = printable(run.typed_device)
        yield Notice(f"The device id was corrected; it had been typed as {typed}.")
    if record.evaluation.state == "running":
        yield Notice("The run was still running when this page was made.")
    elif run.open:
        yield Notice("The run was broken off: its keeper is gone.")


def _ruling(evaluation: Evaluation) -> Ruling:
    said, *more = verdict_lines(evaluation)
    reasons = tuple(printable(one) for one in (*more, *evaluation.reasons))
    word = "none" if evaluation.not_counted_text else evaluation.decision.value
    return Ruling(word, printable(f"{said[:1].upper()}{said[1:]}"), reasons)


def _figures(record: RunRecord) -> Facts:
    return facts(run_facts(record.evaluation, PAGE))


def _budget(record: RunRecord) -> Table | Prose:
    budget = record.assessment.budget
    if budget is None:
        return Prose(("No uncertainty can be stated: the readings are too few.",))
    return budget_table(budget, "Uncertainty budget of the offset")


def _course(record: RunRecord) -> Iterator[Block | None]:
    if record.trace is None:
        yield Prose((_nothing(record),))
        yield timing_chart(record.evaluation.pulses)
        return
    yield course_chart(record.trace, record.assessment, record.steps)
    if record.evaluation.pulses is not None:
        yield Prose(("Each point is the offset over a stretch of many pulses.",))
        yield timing_chart(record.evaluation.pulses)
        return
    if record.trace.thinned:
        yield Prose(
            (
                "The shade about the line spans the lowest and highest reading of each "
                f"of {len(record.trace.t_s):,} equal stretches of time, the line their "
                "means: every spike is in the picture.",
            )
        )
    yield histogram_chart(record.spread, record.assessment)


def _nothing(record: RunRecord) -> str:
    if record.evaluation.pulses is None:
        return "The run has no reading."
    return "The pulses are too few for offsets over stretches of the run."


def _stability(record: RunRecord) -> Iterator[Block | None]:
    found = record.stability
    if found is None:
        return
    yield stability_chart(found)
    rows = [row for row in found.rows if row.value is not None]
    biased = any(row.bias != 1.0 for row in rows)
    cells = [
        (*stability_cells(row), *([_bias(row.bias)] if biased else [])) for row in rows
    ]
    headers = (*stability_heads(found.kind)[:-1], "Noise")
    head = (*headers, *(["Bias, dead time"] if biased else []))
    title = f"{found.kind}, {found.estimator} (fractional frequency)"
    yield table(title, head, cells, f"{ALIGNED}r", "; ".join(found.notes))
    if record.over_time is not None:
        along = record.over_time
        yield over_time_chart(along.found, along.begun_utc_ns)
        yield Prose(over_time_text(along.found, along.begun_utc_ns))


def _temperature(record: RunRecord) -> Iterator[Block]:
    if record.temperature is None:
        return
    data, fit = record.temperature
    yield temperature_chart(data, fit)
    rows = [
        (one.name, *interval_texts(one.value, one.low, one.high), one.unit)
        for one in (*fit.coefficients, *((fit.turning_c,) if fit.turning_c else ()))
    ]
    headers = ("Coefficient", "Value", "95 % from", "to", "Unit")
    said = [
        *_left_out(record),
        *fit.notes,
        *((fit.promise.text,) if fit.promise else ()),
    ]
    title = f"{fit.law} about {as_stated(fit.reference_c)} C"
    yield table(title, headers, rows, "lrrr", "; ".join(said))


def _left_out(record: RunRecord) -> tuple[str, ...]:
    """Return how large the steps are that are no part of a temperature law."""
    sizes = [format_ppm(one.size_ppm, abs(one.size_ppm) / 20) for one in record.steps]
    if not sizes:
        return ()
    what = "A step" if len(sizes) == 1 else "Steps"
    return (
        f"{what} of {', '.join(sizes)} ppm was taken off: ambient did not make it.",
    )


def _fitness(record: RunRecord) -> Iterator[Block]:
    if not record.fitness:
        return
    rows = [
        (
            one.use.title,
            one.verdict.value,
            "none" if one.margin < -9.99 else f"{one.margin:.0%}",
            three_digits(one.tolerance_ppm),
            three_digits(one.worst_ppm),
            one.dominant,
        )
        for one in record.fitness
    ]
    headers = ("Use", "Verdict", "Margin", "Tolerance, ppm", "Worst, ppm", "Mostly")
    yield Prose(fitness_answers(record.fitness))
    note = f"{margin_rule(record.fitness)} Ageing is not counted here."
    yield table("Fitness for use", headers, rows, "llrrr", note)


def _conditions(record: RunRecord) -> Table:
    rows = [
        (
            span.quantity,
            *_rounded(span),
            span.unit,
            f"{span.n:,}",
            outside(span.instrument),
        )
        for span in record.conditions
    ]
    headers = ("Quantity", "Mean", "Least", "Most", "Unit", "Values", "Instrument")
    return table("Other quantities logged", headers, rows, "lrrrlr")


def _rounded(span: ConditionSpan) -> tuple[str, ...]:
    """Return mean, least and most, to a hundredth of what they span."""
    reach = (span.most - span.least) / 10 or max(abs(span.mean) / 1000, 1e-9)
    places = decimals_for(reach)
    return tuple(f"{x:,.{places}f}" for x in (span.mean, span.least, span.most))


def _events(record: RunRecord) -> Iterator[Block]:
    yield events_table(record)
    if record.more_events:
        yield Prose(("More events are in the database; the first are shown.",))
    if record.notes:
        yield Prose(tuple(printable(note) for note in record.notes))


def _amendments(record: RunRecord) -> Table:
    rows = [
        (
            (iso_utc(one.at_utc_ns) or "")[:19].replace("T", " "),
            _AMENDED.get(one.kind, one.kind),
            outside(one.old),
            outside(one.new),
            outside(one.reason),
            outside(one.operator),
        )
        for one in record.amendments
    ]
    headers = ("UTC", "What", "Was", "Is", "Reason", "Who")
    return table("Amendments", headers, rows)


def _verdicts(record: RunRecord) -> Table:
    rows = [
        (
            (iso_utc(one.at_utc_ns) or "")[:19].replace("T", " "),
            one.word,
            format_ppm(one.offset_ppm, one.u_ppm),
            format_u_ppm(one.u_ppm),
            "" if one.limit_ppm is None else as_stated(one.limit_ppm),
            one.rule,
        )
        for one in record.verdicts
    ]
    headers = ("UTC", "Verdict", "Offset, ppm", "U, ppm", "Limit, ppm", "Rule")
    trim = record.run.made_for is Purpose.TRIM
    note = "Of the code that it ended on, as it stays; the others were on trial."
    title = "Verdicts kept, the newest last"
    return table(title, headers, rows, "llrrr", note if trim and rows else "")


def _bias(bias: float | None) -> str:
    return "?" if bias is None else three_digits(bias)
