"""The command line as a process of its own, towards a central database."""

import json
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from unittest.mock import patch

from click.testing import CliRunner
from schemas_held import hold

from benchlog.cli import root
from benchlog.forwarding.postgres.tables import BULK, SMALL

PROGRAM = [sys.executable, "-m", "benchlog.cli"]
OF_RUNS = ("segments", "events", "verdicts", "amendments")
"""Kinds whose rows are all of runs, each counted once over there."""


@dataclass(frozen=True)
class Errand:
    """How a command ended, and what it told."""

    returncode: int
    stdout: str
    stderr: str


def forward(to: str, *words: str, **more: str) -> Errand:
    """Carry out an errand in this process, with more in the environment."""
    words = ("forward", "--to", to, *words)
    with patch("benchlog.cli.tasks.forwarding.give_way"):  # the tests go on after it
        found = CliRunner().invoke(root, words, env=more)
    return Errand(found.exit_code, found.stdout, found.stderr)


def done(to: str, *words: str) -> dict[str, Any]:
    """Carry out an errand that must succeed; its document."""
    found = forward(to, *words, "--json")
    assert found.returncode == 0, found.stderr
    document = json.loads(found.stdout)
    hold(document)
    return document


def sent(to: str, db: Path, *words: str) -> dict[str, Any]:
    return done(to, "--db", str(db), *words)


def told_here(connection: Any, kind: str) -> list[tuple]:
    """Return what a bench's database has of a kind, without the numbers of its own."""
    columns = [name for name in _columns(kind) if name != "segment"]
    names = ", ".join(f't."{name}"' for name in columns)
    sql = f"select r.uid, {names} from {kind} t join runs r on r.id = t.run_id"
    return sorted(connection.execute(sql).fetchall(), key=repr)


def told_there(session: Any, kind: str) -> list[tuple]:
    """Return the same of the central database."""
    columns = [name for name in _columns(kind) if name != "segment"]
    names = ", ".join(f'"{name}"' for name in columns)
    rows = session.execute(f"select run_uid::text, {names} from benchlog.{kind}")
    return sorted(rows.fetchall(), key=repr)


def _columns(kind: str) -> list[str]:
    table = {**SMALL, **BULK}[kind]
    own = ("run_uid", "digest", "source", "row", "seq", "n", "month", "figures")
    return [name for name in table.columns if name not in own]


def readings_here(connection: Any) -> Iterator[tuple]:
    """Yield all readings of a bench in the order of runs and of their numbers."""
    names = ", ".join(f"t.{name}" for name in READING)
    sql = f"select r.uid, {names} from readings t join runs r on r.id = t.run_id"
    yield from connection.execute(f"{sql} order by r.uid, t.id")


def readings_there(session: Any) -> Iterator[tuple]:
    """Yield the same of the central database, a few at a time."""
    names = ", ".join(READING)
    with session.transaction(), session.cursor("all_readings") as cursor:
        cursor.itersize = 20_000
        cursor.execute(
            f"select run_uid::text, {names} from benchlog.readings order by run_uid, n"
        )
        yield from cursor


READING = ("utc_ns", "mono_ns", "gate_s", "frequency_hz", "ambient_c", "flags", "raw")
