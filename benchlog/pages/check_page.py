"""The sections of a reference check: what was found of a counter's time base."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

from benchlog.errors import NotFoundError
from benchlog.model import InstrumentSpec, ReferenceCheck
from benchlog.pages.charts import course_chart
from benchlog.pages.check_history import Numbered, history_chart, history_table
from benchlog.pages.check_record import CheckRecord
from benchlog.pages.common_sections import (
    budget_table,
    events_table,
    hook_up_facts,
    instruments_table,
)
from benchlog.pages.content import (
    Block,
    Facts,
    Notice,
    Prose,
    Section,
    facts,
    outside,
    printed,
    section,
    whole_utc,
)
from benchlog.pages.study_charts import timing_chart
from benchlog.store.reader import Reader
from benchlog.units import (
    NS_PER_S,
    SECONDS_PER_DAY,
    format_duration,
    format_ppm,
    format_u_ppm,
)
from benchlog.verdict.run.budget import COVERAGE
from benchlog.verdict.timebase.check_validity import contradiction
from benchlog.verdict.timebase.governing_check import (
    ruling,
    standing_at,
    stated_goes_on,
)
from benchlog.verdict.timebase.reference_check import Finding


@dataclass(frozen=True, slots=True, kw_only=True)
class Now:
    """When a page is made, and which check of that instrument rules then.

    `stated` says that what the bench file states rules instead, where it does; `doubt`
    what speaks against the check of the page; `contradicted` is whether a newer check
    ended those before it.
    """

    utc_ns: int
    ruler: ReferenceCheck | None
    stated: str = ""
    doubt: str = ""
    contradicted: bool = False


def known_check(reader: Reader, number: int) -> ReferenceCheck:
    """Return a reference check by its number. Raises NotFoundError."""
    checks = dict(reader.reference_checks())
    if number not in checks:
        known = [str(one) for one in checks]
        raise NotFoundError("reference check", str(number), known, "in this database")
    return checks[number]


def now_of(
    check: ReferenceCheck,
    spec: InstrumentSpec | None,
    standing: Sequence[ReferenceCheck],
    utc_ns: int,
) -> Now:
    """Return how a check stands at a time among those of its instrument."""
    ruler = ruling(spec, standing, utc_ns)
    doubt = contradiction(spec, check, standing, who="this check")
    before = [one for one in standing if one.at_utc_ns < check.at_utc_ns]
    stated = "" if ruler is not None else stated_goes_on(spec, before, check)
    ended = standing_at(spec, standing, utc_ns).contradicted
    contradicted = any(newer.at_utc_ns > check.at_utc_ns for _, newer in ended)
    return Now(
        utc_ns=utc_ns,
        ruler=ruler,
        stated=stated,
        doubt=doubt,
        contradicted=contradicted,
    )


def check_sections(
    check: ReferenceCheck,
    others: Sequence[Numbered],
    now: Now,
    made: CheckRecord | None,
) -> Iterator[Section]:
    """Yield what a page says of a check; `others` are all of the same instrument.

    `made` is the run it came from, where that is known.
    """
    yield section("Time base", *_notices(check, now), _found(check, now))
    if made is not None:
        yield section("Uncertainty", *_finding(made))
        yield section("Course of the check", *_course(made))
    yield section("Instrument", _instrument(check))
    yield section("Checks so far", history_chart(others), history_table(others))
    if made is not None:
        yield from _identity(made)
    yield section("What it means", Prose(_MEANING))


def check_run_sections(made: CheckRecord) -> Iterator[Section]:
    """Yield what a page says of a run that checked a time base."""
    yield section("Time base", *_run_notices(made), *_finding(made))
    yield section("Course of the check", *_course(made))
    yield from _identity(made)
    yield section("What it means", Prose(_MEANING))


def _run_notices(made: CheckRecord) -> Iterator[Notice]:
    if made.record.run.simulated:
        yield Notice("Simulated data: no real instrument was checked.")
    if said := made.record.evaluation.not_counted_text:
        yield Notice(f"This run {printed(said)}.")
    if made.check is None:
        yield Notice("No reference check was kept of this run.")


def _finding(made: CheckRecord) -> Iterator[Block]:
    found = made.finding
    if found is None:
        yield Prose((f"Nothing can be said of the time base: {printed(made.why)}.",))
        return
    u = found.budget.expanded_ppm
    aside = f"{found.missed:,} missed, {found.set_aside:,} set aside"
    offset = f"{format_ppm(found.offset_ppm, u)} ppm +- {format_u_ppm(u)} ppm (95 %)"
    anew = made.check is not None and _offset(made.check) != offset
    name = "Offset, judged anew" if anew else "Offset of the time base"
    yield facts(
        (
            (name, f"{offset}; positive is fast"),
            ("Counted", f"{found.pulses:,} in {_lasted(found)}, {aside}"),
            ("Drift", _drift(found)),
        )
    )
    for words in made.warned:
        yield Notice(f"{words[0].upper()}{words[1:]}.")
    yield budget_table(found.budget, "Uncertainty budget of the time base")


def _lasted(found: Finding) -> str:
    return format_duration(found.span_s)


def _drift(found: Finding) -> str:
    drift = found.drift
    if drift is None:
        return "the check was too short to tell"
    u = drift.u_ppm_per_h
    return (
        f"{format_ppm(drift.ppm_per_h, u)} +- {format_u_ppm(u)} ppm an hour (95 %); "
        f"{format_u_ppm(drift.allowed)} is allowed, {drift.limit.text}"
    )


def _course(made: CheckRecord) -> Iterator[Block | None]:
    record = made.record
    if record.evaluation.pulses is not None:
        yield timing_chart(record.evaluation.pulses)
        return
    if record.trace is None:
        yield Prose(("The run has no reading.",))
        return
    said = "The reference as the counter reads it, not corrected"
    drawn = course_chart(record.trace, record.assessment)
    _, *more = drawn.caption.split("; ")
    yield replace(drawn, caption="; ".join([said, *more]))
    yield Prose(
        (
            "Offset of the reference as the counter reads it: where the time base "
            "runs fast, the reference seems to run slow.",
        )
    )


def _identity(made: CheckRecord) -> Iterator[Section]:
    record = made.record
    yield section(
        "Hook-up and instruments",
        hook_up_facts(record.evaluation),
        instruments_table(record.run),
    )
    yield section("Events", events_table(record))


_MEANING = (
    "A counter whose time base runs fast reads low: the offset above is added to every "
    "offset that the counter measures while the check holds, and its uncertainty "
    "enters the uncertainty of every result.",
    "After the time until which it holds, its offset is still applied and its "
    "uncertainty grows with its age: repeat the check by then.",
)


def _notices(check: ReferenceCheck, now: Now) -> Iterator[Notice]:
    if check.instrument.simulated:
        yield Notice("Simulated data: no real instrument was checked.")
    if now.doubt:
        yield Notice(f"In doubt: {printed(now.doubt)}.")
    if check.void is not None:
        why = printed(check.void)
        yield Notice(f"This check does not count: void ({why})")
    elif now.utc_ns > check.valid_until_utc_ns:
        yield Notice("The check has expired: repeat it before measuring.")
    elif now.stated:
        yield Notice(f"Not in use: {printed(now.stated)}.")
    elif now.ruler is None and now.contradicted:
        yield Notice("Not in use: a newer check contradicted it. Check again.")
    elif now.ruler is None:
        yield Notice(
            "Not in use: with its age added it is known worse by far than what is "
            "stated of the time base. Check again."
        )
    elif now.ruler != check:
        yield Notice(
            f"Not in use: the check of {whole_utc(now.ruler.at_utc_ns)} corrects runs "
            f"now, {_offset(now.ruler)}."
        )


def _offset(check: ReferenceCheck) -> str:
    u95 = COVERAGE * check.u_ppm
    return f"{format_ppm(check.offset_ppm, u95)} ppm +- {format_u_ppm(u95)} ppm (95 %)"


def _found(check: ReferenceCheck, now: Now) -> Facts:
    left = (check.valid_until_utc_ns - now.utc_ns) / NS_PER_S / SECONDS_PER_DAY
    holds = whole_utc(check.valid_until_utc_ns)
    used = f"u {format_u_ppm(check.u_ppm)} ppm, which is U/2"
    if now.stated or now.ruler not in (None, check):
        used = "nothing, as it is not in use"
    if check.void is not None:  # an empty row is left out
        used = holds = ""
        left = 0.0
    return facts(
        (
            ("Offset of the time base", f"{_offset(check)}; positive is fast"),
            ("In later budgets", used),
            ("Method", check.method),
            ("Checked", whole_utc(check.at_utc_ns)),
            (
                "Holds until",
                f"{holds}, {left:.0f} days from now" if left > 0 else holds,
            ),
            ("Run", check.run_id),
        )
    )


def _instrument(check: ReferenceCheck) -> Facts:
    who = check.instrument
    return facts(
        (
            ("Identity", outside(who.text)),
            ("Maker", outside(who.maker)),
            ("Model", outside(who.model)),
            ("Serial number", outside(who.serial)),
            ("Firmware", outside(who.firmware)),
        )
    )
