"""Sections of several pages: hook-up, instruments, budget, events, a long run."""

import re
from collections.abc import Iterable, Iterator, Sequence
from typing import Final

from benchlog.evaluation.run_evaluation import Evaluation
from benchlog.evaluation.wording import freedom_text, timebase_text
from benchlog.masking import masked
from benchlog.model import EventKind, Part, Run, Timebase
from benchlog.pages.content import (
    Block,
    Facts,
    Section,
    Table,
    facts,
    outside,
    section,
    table,
)
from benchlog.pages.run_record import RunRecord
from benchlog.units import (
    as_stated,
    format_frequency,
    format_ppm,
    format_u_ppm,
    iso_utc,
    three_digits,
)
from benchlog.verdict.run.budget import Budget
from benchlog.verdict.soak.soak_summary import SoakSummary
from benchlog.verdict.soak.soak_summary_text import hole_rows, summary_facts

_TYPED: Final = (EventKind.NOTE, EventKind.MARK)
_EXPONENT: Final = re.compile(r"[-+]?\d+(\.\d+)?[eE][-+]?\d{1,2}")


def part_facts(part: Part) -> Facts:
    """Return what the data sheet promises."""
    limits = part.limits
    span = limits.range_c
    reference = (
        f"at {as_stated(limits.reference_c)} +- {as_stated(limits.reference_band_c)} C"
    )
    over = (
        "" if span is None else f" over {as_stated(span[0])} to {as_stated(span[1])} C"
    )
    return facts(
        (
            ("Part", f"{part.id}: {part.title}"),
            ("Kind", part.kind.value),
            ("Nominal frequency", format_frequency(part.nominal_hz)),
            ("Tolerance", f"{_both(limits.tolerance_ppm)} {reference}"),
            ("Stability", _with(_both(limits.stability_ppm), over)),
            ("Ageing", _with(_both(limits.ageing_ppm_per_year), " a year")),
            ("Jitter limit", _plain(limits.jitter_ppm, "ppm rms at the gate in use")),
            ("Load capacitance", _plain(part.load.load_pf, "pF")),
            ("Notes", " ".join(part.notes.split())),
        )
    )


def hook_up_facts(evaluation: Evaluation) -> Facts:
    """Return which device was measured where, by whom, under which conditions."""
    run = evaluation.run
    return facts(
        (
            ("Device", outside(run.device)),
            ("Device id as typed", outside(run.typed_device)),
            ("Part as begun", _begun_as(run)),
            ("Run", f"{run.id}, {_made_for(run)}"),
            ("UUID of the run", run.uid),
            ("Lot", outside(run.lot)),
            ("Begun", iso_utc(run.made_utc_ns[0])),
            ("Ended", _ended(evaluation)),
            ("Imported", iso_utc(run.started_utc_ns) if run.exported else None),
            ("Bench and position", outside(f"{run.bench}, {run.position}")),
            ("Divider", "" if run.divider == 1 else as_stated(run.divider)),
            ("Load capacitance as hooked up", _plain(run.load_pf, "pF")),
            ("Supply as stated", _plain(run.supply_v, "V")),
            ("Operator", outside(run.operator)),
            ("Note", outside(run.note)),
            ("Measured with", run.software),
        )
    )


def instruments_table(run: Run) -> Table:
    """Return what each instrument said it is, and how it was set."""
    specs = run.recorded_bench.instruments
    rows = [
        (
            outside(name),
            outside(one.text + (" (simulated)" if one.simulated else "")),
            outside(one.serial),
            outside(masked(specs[name].address) if name in specs else ""),
            ", ".join(f"{key} {_tidy(value)}" for key, value in one.settings.items()),
        )
        for name, one in run.identities.items()
    ]
    headers = ("Instrument", "Identity", "Serial number", "Address", "Settings")
    return table("Instruments", headers, rows)


def timebase_facts(record: RunRecord) -> Facts:
    """Return what the correction for the counter's time base rests on."""
    timebase = record.assessment.timebase
    said = timebase_text(timebase)
    rows: list[tuple[str, object]] = [("Time base", said)]
    check = record.check
    if check is not None:
        rows += [
            ("Reference check", f"{iso_utc(check.at_utc_ns)}, {check.method}"),
            ("Of the instrument", outside(check.instrument.text)),
            (
                "Offset of the time base",
                f"{format_ppm(check.offset_ppm, check.u_ppm)} ppm, standard "
                f"uncertainty {format_u_ppm(check.u_ppm)} ppm",
            ),
            ("Holds until", iso_utc(check.valid_until_utc_ns)),
        ]
    if timebase.doubt:
        rows.append(("In doubt", timebase.doubt))
    return facts(rows)


def events_table(record: RunRecord) -> Table:
    """Return what happened in the run."""
    rows = [
        (
            (iso_utc(event.utc_ns) or "")[:19].replace("T", " "),
            event.kind,
            outside(event.instrument),
            outside(event.text) if event.kind in _TYPED else event.text,
        )
        for event in record.events
    ]
    return table("What happened", ("UTC", "Event", "Instrument", "What"), rows)


def _tidy(value: object) -> str:
    """Return a setting; what an instrument reads back in full is said shortly."""
    text = str(value)
    return as_stated(float(text)) if _EXPONENT.fullmatch(text) else text


def _begun_as(run: Run) -> str | None:
    """Return the part that the run was begun with, where it is judged by another."""
    return run.begun_as.id if run.judged_again else None


def _made_for(run: Run) -> str:
    imported = run.purpose is not run.made_for
    return run.made_for.value + (f" ({run.purpose.value})" if imported else "")


def _ended(evaluation: Evaluation) -> str:
    run = evaluation.run
    if run.open:
        return "still running" if evaluation.state == "running" else evaluation.state
    how = run.exported.get("ended_how") or run.ended_how
    return f"{iso_utc(run.made_utc_ns[1])}, {how}"


def _both(ppm: float | None) -> str:
    return "" if ppm is None else f"+-{as_stated(ppm)} ppm"


def _with(text: str, more: str) -> str:
    return text + more if text else ""


def _plain(value: object, unit: str) -> str:
    return "" if value is None else f"{value} {unit}"


# --- who measured a lot, with what: all that its runs were begun with


def lot_hook_up(runs: Sequence[Run]) -> Iterator[Block]:
    """Yield who measured with what; where runs differ, all that was used."""
    bases = [run.timebase for run in runs if run.timebase is not None]
    yield facts(
        (
            ("Bench", outside(_each(run.bench for run in runs))),
            ("Positions", outside(_each(run.position for run in runs))),
            ("Operator", outside(_each(run.operator for run in runs))),
            ("Note", outside(_each(run.note for run in runs))),
            ("Load capacitance, pF", _each(run.load_pf for run in runs)),
            ("Supply, V", _each(run.supply_v for run in runs)),
            ("Measured with", _each(run.software for run in runs)),
            ("Time base", _each(_base(one) for one in bases)),
        )
    )
    rows = dict.fromkeys(
        tuple(
            map(
                outside,
                (name, one.text + " (simulated)" * one.simulated, one.serial),
            )
        )
        for run in runs
        for name, one in run.identities.items()
    )
    yield table("Instruments", ("Instrument", "Identity", "Serial number"), rows)


def _base(base: Timebase) -> str:
    until = iso_utc(base.valid_until_utc_ns)
    said = f"{base.status}: offset {format_ppm(base.offset_ppm, base.u_ppm)} ppm, "
    said += f"u {format_u_ppm(base.u_ppm)} ppm (standard)"
    return said + (f", holds until {until[:10]}" if until else "")


def _each(values: Iterable[object]) -> str:
    return "; ".join(dict.fromkeys(str(value) for value in values if value))


# --- an uncertainty budget as a table, line by line with where each comes from


def budget_table(budget: Budget, title: str) -> Table:
    """Return the lines of a budget, combined and expanded; figures are in ppm."""
    rows: list[tuple[str, ...]] = [
        (
            line.name,
            three_digits(line.u_ppm),
            freedom_text(line.degrees_of_freedom),
            line.distribution,
            line.text,
        )
        for line in budget.lines
    ]
    freedom = freedom_text(budget.degrees_of_freedom)
    rows.append(("combined", three_digits(budget.u_ppm), freedom, "", ""))
    expanded = three_digits(budget.expanded_ppm)
    rows.append(("expanded, U", expanded, "", "", f"k = {budget.k:.2f}, 95 %"))
    headers = ("Contribution", "u, ppm", "Freedom", "Shape", "From")
    return table(title, headers, rows, "lrr")


# --- how a long run went, as the section of a page

_HOLES: Final = 50


def summary_section(summary: SoakSummary | None) -> Section:
    """Return what a person wants to know in the morning; empty of a short run."""
    return section("Events", *(() if summary is None else _blocks(summary)))


def _blocks(summary: SoakSummary) -> Iterator[Block]:
    yield facts(
        (name[:1].upper() + name[1:], said) for name, said in summary_facts(summary)
    )
    rows = hole_rows(summary, _HOLES)
    more = summary.gaps - len(rows)
    note = f"{more:,} more gaps are not listed." if more > 0 else ""
    yield table("Gaps", ("Begun, UTC", "For", "Cause", "What"), rows, "", note)
