"""The sections of a whole rack: devices by characteristics, curves, spread."""

from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import Final

import numpy as np

from benchlog.evaluation.rack.timeline import (
    PassedStep,
    device_curves,
    passed_steps,
    turns_by_step,
)
from benchlog.evaluation.rack.wording import (
    figures,
    limit_text,
    steps_text,
    verdict_counts,
)
from benchlog.evaluation.rack_study import (
    Qualification,
    QualifiedDevice,
    summary_rows,
)
from benchlog.model import Decision, Event, EventKind, Turn
from benchlog.pages.common_sections import instruments_table, part_facts
from benchlog.pages.content import (
    Block,
    Notice,
    Prose,
    Ruling,
    Section,
    Table,
    outside,
    section,
    table,
)
from benchlog.pages.rack.curve_charts import NamedCurve, rack_chart
from benchlog.pages.rack.device_page import sequence_facts
from benchlog.pages.rack.spread_charts import spread_chart
from benchlog.pages.rack.step_table import setter_blocks, step_blocks
from benchlog.store.reader import Reader
from benchlog.units import NS_PER_S, three_digits
from benchlog.verdict.rack.findings import FoundCharacteristic

_ABREAST: Final = 4  # characteristics side by side in one table; our rule
_MOST_NAMED: Final = 8  # devices named in one reason; our rule


def rack_sections(reader: Reader, found: Qualification) -> Iterator[Section]:
    """Yield what a page tells of a rack that went through a sequence."""
    first = found.devices[0].run
    yield section("Verdict", *_verdict(found))
    yield section("Devices", *_devices(found))
    yield section("Characteristics", spread_table(found))
    yield section("Curves", *_curves(found))
    yield section("Spread", *_spread(found))
    told = [event for _, event in reader.events(first.id)]
    turns = turns_by_step(found.devices)
    steps = passed_steps(found.plan, found.devices[0], told)
    yield section(
        "Sequence",
        sequence_facts(found.plan),
        *step_blocks(
            [_of_all(step, turns.get(step.record.index, [])) for step in steps]
        ),
    )
    yield section("Setters", *setter_blocks(_all_events(reader, found)))
    yield section("Part", part_facts(first.part))
    yield section("Instruments", instruments_table(first))


def _verdict(found: Qualification) -> Iterator[Block]:
    if any(one.run.simulated for one in found.devices):
        yield Notice("Simulated data: nothing here was measured on a real device.")
    if any(one.run.open for one in found.devices):
        yield Notice("Not all runs of this rack had ended when this page was made.")
    if found.steps_done < len(found.plan.steps):
        yield Notice(f"The sequence is not complete: {steps_text(found)}.")
    words = [one.verdict for one in found.devices]
    headline = f"{found.verdict.upper()}: {len(words)} devices, {verdict_counts(words)}"
    yield Ruling(found.verdict.value, headline, tuple(_reasons(found)))


def _reasons(found: Qualification) -> Iterator[str]:
    for name, _ in summary_rows(found):
        for word in (Decision.FAIL, Decision.UNDECIDED):
            devices = [
                outside(one.run.device)
                for one in found.devices
                if any(c.name == name and c.verdict is word for c in one.found)
            ]
            if devices:
                yield f"{name} {word}: {_listed(devices)}"


def _listed(devices: Sequence[str]) -> str:
    named = ", ".join(devices[:_MOST_NAMED])
    more = len(devices) - _MOST_NAMED
    return f"{named} and {more} more" if more > 0 else named


def _devices(found: Qualification) -> Iterator[Block]:
    """Yield the devices by characteristics, a few characteristics in each table."""
    names = [name for name, _ in summary_rows(found)]
    for begin in range(0, len(names), _ABREAST):
        some = names[begin : begin + _ABREAST]
        rows = [
            (
                outside(one.run.device),
                one.run.position,
                one.run.id,
                one.verdict.value,
                *(_cell(_line(one, name)) for name in some),
            )
            for one in found.devices
        ]
        units = {line.name: line.unit for one in found.devices for line in one.found}
        headers = ("Device", "Position", "Run", "Verdict")
        yield table(
            "What was found of each device, with its U (95 %)",
            (*headers, *(f"{name}, {units[name]}" for name in some)),
            rows,
            "llrl" + "r" * len(some),
        )


def _line(one: QualifiedDevice, name: str) -> FoundCharacteristic | None:
    return next((line for line in one.found if line.name == name), None)


def _cell(line: FoundCharacteristic | None) -> str:
    if line is None or line.value is None or line.u is None:
        return "" if line is None or line.verdict is None else str(line.verdict)
    value, u, _ = figures(line)
    said = f"{value.removesuffix(line.unit).rstrip()} +- {u}"
    if not line.u and line.text:
        said = line.text
    bad = line.verdict not in (None, Decision.PASS)
    return f"{said}, {line.verdict}" if bad else said


def spread_table(found: Qualification) -> Table:
    """Return each characteristic over all devices, beside its limit."""
    rows = []
    for name, lines in summary_rows(found):
        values = np.array([c.value for c in lines if c.value is not None], np.float64)
        first = lines[0]
        figures = ("", "", "", "")
        if len(values):
            scatter = float(values.std(ddof=1)) if len(values) > 1 else None
            figures = (
                three_digits(float(values.min())),
                three_digits(float(values.mean())),
                three_digits(float(values.max())),
                "" if scatter is None else three_digits(scatter),
            )
        words = [c.verdict for c in lines if c.verdict is not None]
        limit = "" if first.limit is None else f"{limit_text(first)} {first.unit}"
        unit = first.unit
        rows.append((name, unit, limit, len(values), *figures, verdict_counts(words)))
    headers = ("Characteristic", "Unit", "Promised", "Devices", "Least", "Mean")
    return table(
        "Over all devices",
        (*headers, "Most", "Std. deviation", "Verdicts"),
        rows,
        "llrrrrrr",
    )


def _curves(found: Qualification) -> Iterator[Block]:
    along: dict[str, list[NamedCurve]] = {}
    for one in found.devices:
        for curve in device_curves(found.plan, one):
            along.setdefault(curve.along, []).append(
                NamedCurve(device=one.run.device, verdict=one.verdict, curve=curve)
            )
    for several in along.values():
        yield rack_chart(several, found.devices[0].run.part.limits)
    if not along:
        yield Prose(("Points at one place alone make no curve.",))


def _spread(found: Qualification) -> Iterator[Block]:
    for name, _ in summary_rows(found):
        lines = [
            (one.run.device, line)
            for one in found.devices
            if (line := _line(one, name)) is not None
        ]
        chart = spread_chart(name, lines)
        if chart is not None:
            yield chart


def _of_all(step: PassedStep, turns: Sequence[Turn]) -> PassedStep:
    """Return a step of one device with the turns of all."""
    return replace(
        step,
        turns=len(turns),
        unsettled=sum(not turn.settled for turn in turns),
        silent=sum(not turn.ran for turn in turns),
    )


def _all_events(reader: Reader, found: Qualification) -> list[Event]:
    """Return what setters told, once where it is in every run of the rack."""
    seen: dict[tuple[int, str], Event] = {}
    for one in found.devices:
        for _, event in reader.events(one.run.id):
            if event.kind == EventKind.SETTER:
                seen.setdefault((event.utc_ns // NS_PER_S, event.text), event)
    return sorted(seen.values(), key=lambda event: event.utc_ns)
