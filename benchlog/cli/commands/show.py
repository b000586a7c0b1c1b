"""`benchlog show`: one run, with what a person needs to defend its verdict."""

import itertools
from pathlib import Path
from typing import TYPE_CHECKING

import click

from benchlog.cli.command import command as make_command
from benchlog.cli.database import chosen_run, newest_of, reading
from benchlog.cli.printing import (
    print_json,
    print_text,
    table,
)
from benchlog.cli.run_result import evaluated, summary_text, text_of, text_of_racked
from benchlog.cli.typed_values import RunOrDevice, Text
from benchlog.errors import UsageError
from benchlog.units import (
    as_stated,
    format_ppm,
    format_u_ppm,
    iso_utc,
    three_digits,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

    from benchlog.evaluation.run_history import RunHistory
    from benchlog.model import Event, Run
    from benchlog.store.reader import Reader
    from benchlog.store.rows import Amendment, VerdictRow
    from benchlog.verdict import Budget

EXAMPLES = (
    "benchlog show",
    "benchlog show 12",
    "benchlog show KX-0412",
    "benchlog show urn:uuid:6f0c2a44-5a57-4c2e-9a39-0d0f5b1f3f11",
    "benchlog show 12 --json",
)


@make_command("show", examples=EXAMPLES)
@click.argument("run", type=RunOrDevice(), required=False, metavar="[RUN|DEVICE|CODE]")
@click.option("--device", type=Text(), help="A device whose id looks like a number.")
def command(
    run: int | str | None, device: str | None, db: Path | None, as_json: bool
) -> None:
    """Show RUN (the latest one if left out): figures, budget, instruments, events.

    Of a DEVICE the newest run that counts is shown. A CODE is what a scanner reads off
    a label of `benchlog report --label`. The verdict is worked out anew from the
    readings in the database.
    """
    from benchlog.evaluation.document import whole_document
    from benchlog.evaluation.rack.one_run import Racks
    from benchlog.evaluation.run_history import history_of

    with reading(db) as reader:
        evaluation = evaluated(reader, _chosen(reader, run, device), summary="long")
        history = history_of(reader, evaluation.run.id)
        found = Racks(reader).device_of(evaluation.run)
    if as_json:
        print_json(whole_document(evaluation, history, found), "show")
        return
    summary = evaluation.summary
    for part in (
        text_of(evaluation) if found is None else text_of_racked(evaluation, found),
        summary_text(summary) if summary is not None else "",
        afterwards_text(history),
        _budget(evaluation.assessment.budget) if found is None else "",
        _hook_up(evaluation.run),
        _instruments(evaluation.run),
        _events(history.events),
    ):
        if part:
            print_text(part + "\n")


def _chosen(reader: "Reader", run: int | str | None, device: str | None) -> "Run":
    if device is not None and run is not None:
        raise UsageError("name a run or a --device, not both")
    if device is not None:
        return newest_of(reader, device)
    return chosen_run(reader, run)


def _budget(budget: "Budget | None") -> str:
    from benchlog.evaluation.wording import freedom_text

    if budget is None:
        return ""
    rows = [
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
    together = f"U = k u with k = {budget.k:.2f}"
    rows.append(("combined", three_digits(budget.u_ppm), freedom, "", together))
    headers = ("uncertainty", "u ppm", "freedom", "shape", "from")
    return table(headers, rows, "lrr")


def _hook_up(run: "Run") -> str:
    said = {
        "bench": run.bench,
        "divider": as_stated(run.divider) if run.divider != 1 else None,
        "lot": run.lot,
        "operator": run.operator,
        "load": _unit(run.load_pf, "pF"),
        "supply": _unit(run.supply_v, "V"),
        "software": run.software,
        "note": run.note,
    }
    rows = [(name, str(text)) for name, text in said.items() if text]
    return table(("hook-up", ""), rows)


def _unit(value: object, unit: str) -> str | None:
    return None if value is None else f"{value} {unit}"


def _instruments(run: "Run") -> str:
    rows = [
        (
            name,
            one.text or "-",
            ", ".join(f"{key} {value}" for key, value in one.settings.items()),
        )
        for name, one in run.identities.items()
    ]
    return table(("instrument", "identity", "settings"), rows) if rows else ""


def _events(events: "Sequence[Event]") -> str:
    marks = itertools.count(1)
    rows = [
        (
            _when(event.utc_ns),
            f"{event.kind} {next(marks)}" if event.kind == "mark" else event.kind,
            event.text.replace("\n", " / "),
        )
        for event in events
    ]
    return table(("UTC", "event", ""), rows) if rows else ""


# --- what was said of a run afterwards: verdicts kept beside each other, amendments

_AMENDED = {
    "device": "device id",
    "operator": "measured by",
    "void": "void",
    "restore": "counts again",
}


def afterwards_text(history: "RunHistory") -> str:
    """Return both as tables; a verdict that stands alone was shown already."""
    verdicts, amendments = history.verdicts, history.amendments
    parts = []
    if len(verdicts) > 1:
        headers = ("verdicts kept", "", "offset ppm", "U ppm", "limit ppm", "rule")
        parts.append(table(headers, [_verdict(one) for one in verdicts], "llrrr"))
    if amendments:
        headers = ("said afterwards", "", "was", "is", "reason", "who")
        parts.append(table(headers, [_amendment(one) for one in amendments]))
    return "\n\n".join(parts)


def _verdict(one: "VerdictRow") -> tuple[str, ...]:
    limit = one.limit_ppm
    return (
        _when(one.at_utc_ns),
        one.word,
        format_ppm(one.offset_ppm, one.u_ppm),
        format_u_ppm(one.u_ppm),
        "-" if limit is None else as_stated(limit),
        one.rule,
    )


def _amendment(one: "Amendment") -> tuple[str, ...]:
    what = _AMENDED.get(one.kind, one.kind)
    said = (one.old, one.new, one.reason, one.operator)
    return (_when(one.at_utc_ns), what, *(text or "-" for text in said))


def _when(utc_ns: int | None) -> str:
    return (iso_utc(utc_ns) or "-")[:19].replace("T", " ")
