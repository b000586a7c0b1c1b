"""`benchlog show`: one run, with what a person needs to defend its verdict."""

from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import click

from benchlog.cli.command import command as make_command
from benchlog.cli.database import chosen_run, reading
from benchlog.cli.figures import judged_night, text_of, three_digits
from benchlog.cli.night import night_text
from benchlog.cli.printing import print_json, table
from benchlog.cli.typed_values import RunId
from benchlog.evaluation.wording import freedom_text
from benchlog.model import Purpose
from benchlog.units import format_ppm, format_u_ppm, iso_utc

if TYPE_CHECKING:
    from benchlog.model import Run
    from benchlog.store.reader import Reader
    from benchlog.verdict.night import Night

_LONG_S: Final = 3600.0
EXAMPLES = (
    "benchlog show",
    "benchlog show 12",
    "benchlog show 12 --json",
)


@make_command("show", examples=EXAMPLES)
@click.argument("run", type=RunId(), required=False)
def command(run: int | None, db: Path | None, as_json: bool) -> None:
    """Show RUN (the latest one if left out): figures, budget, instruments, events.

    The verdict is worked out anew from the readings in the database.
    """
    with reading(db) as reader:
        chosen = chosen_run(reader, run)
        document, night = document_of(reader, chosen)
    if as_json:
        print_json(document)
        return
    for part in (
        text_of(document),
        night_text(night) if night is not None else "",
        afterwards_text(document),
        _budget(document["budget"]),
        _hook_up(document),
        _instruments(document["instruments"]),
        _events(document["events"]),
    ):
        if part:
            click.echo(part + "\n")


def document_of(reader: "Reader", run: "Run") -> "tuple[dict[str, Any], Night | None]":
    """Return the figures of `run` with hook-up, instruments, events, and its night.

    A run that was no soak and took less than an hour has no night.
    """
    figures, night = judged_night(reader, run)
    if run.made_for is not Purpose.SOAK and night.span_s < _LONG_S:
        return _with_the_rest(reader, run, figures), None
    document = _with_the_rest(reader, run, figures)
    return {**document, "summary": night.document()}, night


def _with_the_rest(
    reader: "Reader", run: "Run", figures: dict[str, Any]
) -> dict[str, Any]:
    events = [
        {"utc": iso_utc(event.utc_ns), "kind": event.kind, "text": event.text}
        for _, event in reader.events(run.id)
    ]
    return {
        **figures,
        "bench": run.bench,
        "divider": run.divider,
        "lot": run.lot,
        "operator": run.operator or None,
        "note": run.note or None,
        "load_pf": run.snapshot.get("load_pf"),
        "supply_v": run.snapshot.get("supply_v"),
        "software": run.snapshot.get("software"),
        "instruments": [
            {
                "instrument": name,
                "identity": identity.text,
                "serial": identity.serial or None,
                "simulated": identity.simulated,
                "settings": dict(identity.settings),
            }
            for name, identity in run.identities.items()
        ],
        "events": events,
        **afterwards_document(reader, run),
    }


def _budget(budget: dict[str, Any] | None) -> str:
    if budget is None:
        return ""
    rows = [
        (
            line["name"],
            three_digits(line["u_ppm"]),
            freedom_text(line["degrees_of_freedom"]),
            line["distribution"],
            line["text"],
        )
        for line in budget["lines"]
    ]
    freedom = freedom_text(budget["degrees_of_freedom"])
    together = f"U = k u with k = {budget['k']:.2f}"
    rows.append(("combined", three_digits(budget["u_ppm"]), freedom, "", together))
    headers = ("uncertainty", "u ppm", "freedom", "shape", "from")
    return table(headers, rows, "lrr")


def _hook_up(document: dict[str, Any]) -> str:
    said = {
        "bench": document["bench"],
        "divider": f"{document['divider']:g}" if document["divider"] != 1 else None,
        "lot": document["lot"],
        "operator": document["operator"],
        "load": _unit(document["load_pf"], "pF"),
        "supply": _unit(document["supply_v"], "V"),
        "software": document["software"],
        "note": document["note"],
    }
    rows = [(name, str(text)) for name, text in said.items() if text]
    return table(("hook-up", ""), rows)


def _unit(value: object, unit: str) -> str | None:
    return None if value is None else f"{value} {unit}"


def _instruments(instruments: list[dict[str, Any]]) -> str:
    rows = [
        (
            row["instrument"],
            row["identity"] or "-",
            ", ".join(f"{name} {value}" for name, value in row["settings"].items()),
        )
        for row in instruments
    ]
    return table(("instrument", "identity", "settings"), rows) if rows else ""


def _events(events: list[dict[str, Any]]) -> str:
    rows = [
        (
            (event["utc"] or "-")[:19].replace("T", " "),
            event["kind"],
            event["text"].replace("\n", " / "),
        )
        for event in events
    ]
    return table(("UTC", "event", ""), rows) if rows else ""


# --- what was said of a run afterwards: verdicts kept beside each other, amendments

_AMENDED = {"device": "device id", "void": "void", "restore": "counts again"}


def afterwards_document(reader: "Reader", run: "Run") -> dict[str, Any]:
    """Return the verdicts that are kept and the amendments, the newest last."""
    return {
        "verdicts": [
            {
                "utc": iso_utc(one.at_utc_ns),
                "verdict": one.word,
                "offset_ppm": one.offset_ppm,
                "u_ppm": one.u_ppm,
                "limit_ppm": one.limit_ppm,
                "rule": one.rule,
            }
            for one in reader.verdicts(run.id)
        ],
        "amendments": [
            {
                "utc": iso_utc(one.at_utc_ns),
                "kind": one.kind,
                "old": one.old,
                "new": one.new,
                "reason": one.reason,
                "operator": one.operator or None,
            }
            for one in reader.amendments(run.id)
        ],
    }


def afterwards_text(document: dict[str, Any]) -> str:
    """Return both as tables; a verdict that stands alone was shown already."""
    verdicts, amendments = document["verdicts"], document["amendments"]
    parts = []
    if len(verdicts) > 1:
        headers = ("verdicts kept", "", "offset ppm", "U ppm", "limit ppm", "rule")
        parts.append(table(headers, [_verdict(one) for one in verdicts], "llrrr"))
    if amendments:
        headers = ("said afterwards", "", "was", "is", "reason", "who")
        parts.append(table(headers, [_amendment(one) for one in amendments]))
    return "\n\n".join(parts)


def _verdict(one: dict[str, Any]) -> tuple[str, ...]:
    limit = one["limit_ppm"]
    return (
        _when(one["utc"]),
        one["verdict"],
        format_ppm(one["offset_ppm"], one["u_ppm"]),
        format_u_ppm(one["u_ppm"]),
        "-" if limit is None else f"{limit:,.10g}",
        one["rule"],
    )


def _amendment(one: dict[str, Any]) -> tuple[str, ...]:
    what = _AMENDED.get(one["kind"], one["kind"])
    said = (one["old"], one["new"], one["reason"], one["operator"])
    return (_when(one["utc"]), what, *(text or "-" for text in said))


def _when(utc: str | None) -> str:
    return (utc or "-")[:19].replace("T", " ")
