"""The sections of one device of a rack: what is promised beside what was found."""

from collections.abc import Iterator

from benchlog.evaluation.rack.one_run import Racks
from benchlog.evaluation.rack.timeline import device_curves, passed_steps
from benchlog.evaluation.rack.wording import (
    figures,
    limit_text,
    reasons,
    steps_text,
    where,
)
from benchlog.evaluation.rack_study import (
    Qualification,
    QualifiedDevice,
    known_plan,
)
from benchlog.model import CHARACTERISTICS, Decision, QualificationPlan
from benchlog.pages.common_sections import (
    hook_up_facts,
    instruments_table,
    part_facts,
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
    section,
    table,
)
from benchlog.pages.rack.curve_charts import curve_chart
from benchlog.pages.rack.step_table import setter_blocks, step_blocks
from benchlog.pages.run_page import notices
from benchlog.pages.run_record import RunRecord
from benchlog.store.reader import Reader
from benchlog.units import printable


def device_sections(reader: Reader, record: RunRecord) -> Iterator[Section]:
    """Yield what a page tells of one device that went through a sequence."""
    plan = known_plan(record.run)
    one = Racks(reader).device_of(record.run)
    assert one is not None  # its plan can be read
    found = Qualification(plan=plan, devices=(one,))
    events = [event for _, event in reader.events(record.run.id)]
    yield section("Verdict", *_verdict(record, found, one))
    yield section("Promised and found", found_table(one))
    yield section("Characteristics", *_pictures(found, one))
    steps = passed_steps(found.plan, one, events)
    yield section("Sequence", sequence_facts(found.plan), *step_blocks(steps))
    yield section("Setters", *setter_blocks(events))
    yield section("Part", part_facts(record.run.part))
    yield section(
        "Hook-up and instruments",
        hook_up_facts(record.evaluation),
        instruments_table(record.run),
        timebase_facts(record),
    )


def _verdict(
    record: RunRecord, found: Qualification, one: QualifiedDevice
) -> Iterator[Block]:
    yield from notices(record)
    if why := record.evaluation.not_counted_text:
        yield Notice(f"This run {printable(why)}.")
    done = found.steps_done == len(found.plan.steps)
    if not done:
        yield Notice(f"The sequence is not complete: {steps_text(found)}.")
    word = "none" if record.evaluation.not_counted_text else one.verdict.value
    words = [line.verdict for line in one.found if line.verdict is not None]
    held = words.count(Decision.PASS)
    headline = (
        f"{one.verdict.upper()}: {held} of {len(words)} characteristics with a limit "
        "pass"
    )
    yield Ruling(word, headline, tuple(printable(why) for why in reasons(one)))


def found_table(one: QualifiedDevice) -> Table:
    """Return each characteristic with what the data sheet promises of it."""
    rows = []
    for line in one.found:
        value, u, _ = figures(line)
        rows.append(
            (
                line.name,
                CHARACTERISTICS.get(line.name, ""),
                "" if line.limit is None else f"{limit_text(line)} {line.unit}",
                value,
                u,
                "" if line.verdict is None else line.verdict.value,
                where(line),
            )
        )
    headers = ("Characteristic", "What it is", "Promised", "Found", "U (95 %)")
    return table(
        "What the data sheet promises beside what was found",
        (*headers, "Verdict", "Where, how"),
        rows,
        "llrrr",
        "A dash under Promised: the part file has no limit for it, and it has no "
        "verdict.",
    )


def _pictures(found: Qualification, one: QualifiedDevice) -> Iterator[Block]:
    drawn = device_curves(found.plan, one)
    for curve in drawn:
        yield curve_chart(curve, one.run.part.limits)
    if not drawn:
        yield Prose(("Points at one place alone make no curve.",))


def sequence_facts(plan: QualificationPlan) -> Facts:
    """Return which sequence it was."""
    return facts(
        (
            ("Sequence", f"{plan.sequence}: {plan.title}"),
            ("After", plan.source),
            ("Steps", len(plan.steps)),
            ("UUID of the qualification", plan.uid),
        )
    )
