"""Carrying out `forward`: one errand each, told as lines or as a document."""

import signal
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any, Final

from benchlog.cli.database import database, reading_as
from benchlog.cli.narrator import Narrator
from benchlog.cli.printing import print_json, say, table
from benchlog.errors import UsageError
from benchlog.exchange.dataset.addresses import check_address, is_address, is_known
from benchlog.forwarding.address import address_of, is_database
from benchlog.forwarding.forwarding import (
    DATASET_S,
    POLL_S,
    ForwardLoop,
    ForwardReport,
    KindStatus,
    Open,
    Way,
    send_once,
)
from benchlog.forwarding.postgres.way import PostgresWay
from benchlog.forwarding.postgres.way import create as create_schema
from benchlog.forwarding.postgres.way import status_of as postgres_status
from benchlog.priority import give_way
from benchlog.store.tail.tail_reader import TailReader
from benchlog.units import counted, format_duration
from benchlog.version import __version__

_SOFTWARE: Final = f"benchlog {__version__}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """Where to send, and how: a central database or a dataset."""

    shown: str
    open_way: Open
    status: Callable[[TailReader], dict[str, KindStatus]]
    every_s: float
    """How often a follower looks."""
    create: Callable[[], list[str]]
    """Makes what must be there, and returns what was refused of it, as sentences."""


def place(text: str, *, readings: bool) -> Place:
    """Return where an address leads. Raises UsageError."""
    if not is_database(text) and is_address(text) and is_known(text):
        return _dataset(text)
    to = address_of(text)

    def open_way(reader: TailReader) -> Way:
        return PostgresWay(to, reader, software=_SOFTWARE, readings=readings)

    return Place(
        shown=to.shown,
        open_way=open_way,
        status=partial(postgres_status, to),
        every_s=POLL_S,
        create=partial(create_schema, to, _SOFTWARE),
    )


def _dataset(text: str) -> Place:
    from benchlog.exchange.dataset.following import DatasetWay, status_of

    check_address(text)

    def nothing_to_make() -> list[str]:
        raise UsageError("--create is for a database; a dataset needs no making")

    return Place(
        shown=text.partition("?")[0],
        open_way=partial(DatasetWay, text),
        status=lambda reader: status_of(reader, text),
        every_s=DATASET_S,
        create=nothing_to_make,
    )


def create(to: Place, as_json: bool) -> None:
    """Make the schema over there or bring it up to date."""
    refused = to.create()
    for sentence in refused:
        say(sentence)
    if as_json:
        print_json(
            {"to": to.shown, "created": True, "refused": refused}, "forward-created"
        )
    else:
        say(f"{to.shown} is ready: tables, views and roles are as this version needs")


def status(to: Place, db: Path | None, as_json: bool) -> None:
    """Tell what waits, and since when."""
    with reading_as(TailReader, db) as reader:
        report = _report(to, reader)
        report.kinds = to.status(reader)
    _tell(report, as_json, sent=False)


def once(to: Place, db: Path | None, as_json: bool) -> None:
    """Send what is committed by now."""
    give_way()
    with reading_as(TailReader, db) as reader:
        report = _report(to, reader)
        send_once(reader, report, to.open_way)
    _tell(report, as_json, sent=True)


def follow(
    to: Place, db: Path | None, as_json: bool, every_s: float | None = None
) -> None:
    """Send what is committed as it comes, until somebody ends it."""
    give_way()
    path = database(db)
    report = ForwardReport(to=to.shown, source="")
    say(f"following {path} to {to.shown}; Ctrl-C ends it")
    with _until_ended() as ended, Narrator() as narrator:
        every_s = to.every_s if every_s is None else every_s
        loop = ForwardLoop(path, report, to.open_way, narrator.say, every_s)
        loop.run(lambda: not ended)
    _tell(report, as_json, sent=True)


def _report(to: Place, reader: TailReader) -> ForwardReport:
    return ForwardReport(to=to.shown, source=reader.database_uid())


@contextmanager
def _until_ended() -> Iterator[list[int]]:
    """Give a list that is empty until a signal asks for the end."""
    ended: list[int] = []
    names = (signal.SIGINT, signal.SIGTERM)
    before = [
        signal.signal(one, lambda number, _: ended.append(number)) for one in names
    ]
    try:
        yield ended
    finally:
        for one, handler in zip(names, before, strict=True):
            signal.signal(one, handler)


def _tell(report: ForwardReport, as_json: bool, *, sent: bool) -> None:
    if as_json:
        print_json(_document(report), "forward")
        return
    if sent:
        say(f"{report.to}: {counted(report.total, 'row')} sent")
    rows = [_row(name, report, one) for name, one in report.kinds.items()]
    print(table(("kind", "sent", "waiting", "lag"), rows, "lrrr"))  # noqa: T201


def _row(name: str, report: ForwardReport, one: KindStatus) -> tuple[str, ...]:
    lag = format_duration(one.lag_s) if one.waiting else "-"
    return name, f"{report.sent.get(name, 0):,}", f"{one.waiting:,}", lag


def _document(report: ForwardReport) -> dict[str, Any]:
    return {
        "to": report.to,
        "source": report.source or None,
        "sent": report.total,
        "lag_s": report.lag_s,
        "waiting": sum(one.waiting for one in report.kinds.values()),
        "kinds": {
            name: {
                "sent": report.sent.get(name, 0),
                "waiting": one.waiting,
                "lag_s": one.lag_s,
            }
            for name, one in report.kinds.items()
        },
        "left_out": report.left_out,
    }
