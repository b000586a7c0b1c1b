"""What a bench has is over there once, whatever becomes of the way."""

import sqlite3
from contextlib import closing
from pathlib import Path

import psycopg
import pytest
from forwarding.sending import OF_RUNS, done, forward, sent, told_here, told_there

from benchlog.forwarding.postgres.tables import BULK
from benchlog.store.backup import at_newest_schema

CORPUS = Path(__file__).parents[1] / "frozen" / "corpus"
FEW = ("lots", "schema-1", "states")
"""Between them rows of every kind, and the oldest schema."""
MORE = sorted({path.stem for path in CORPUS.glob("*.db")} - {*FEW})
DATABASES = [*FEW, *(pytest.param(one, marks=pytest.mark.campaign) for one in MORE)]
VIEWS = ("runs_named", "results")


def named_here(path: Path, view: str) -> list[dict]:
    with closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True)) as connection:
        connection.row_factory = sqlite3.Row
        return [dict(row) for row in connection.execute(f"select * from {view}")]


def named_there(address: str, view: str) -> list[dict]:
    with psycopg.connect(address) as session:
        cursor = session.execute(f"select * from benchlog.{view}")
        names = [column.name for column in cursor.description]
        return [dict(zip(names, row, strict=True)) for row in cursor]


@pytest.mark.parametrize("name", DATABASES)
def test_what_is_named_here_is_named_so_there(name: str, central: str) -> None:
    """Of every database of the corpus, the rows of the views and what they hold."""
    db = CORPUS / f"{name}.db"
    done(central, "--create")
    told = sent(central, db, "--readings")
    assert told["waiting"] == 0
    with at_newest_schema(db) as copy:
        for view in VIEWS:
            here, there = named_here(copy, view), named_there(central, view)
            assert len(here) == len(there)
            by_uid = {str(row["run_uid"]): row for row in there}
            for row in here:
                found = by_uid[row["run_uid"]]
                assert {name: found[name] for name in row if name != "run_uid"} == {
                    name: value for name, value in row.items() if name != "run_uid"
                }
        with (
            closing(sqlite3.connect(copy)) as connection,
            psycopg.connect(central) as session,
        ):
            for kind in (*OF_RUNS, *BULK):
                assert told_here(connection, kind) == told_there(session, kind), kind


def test_few_databases_have_rows_of_all_kinds() -> None:
    """Else some kind would be sent in campaigns alone."""
    without = set(OF_RUNS + tuple(BULK))
    for name in FEW:
        with (
            at_newest_schema(CORPUS / f"{name}.db") as copy,
            closing(sqlite3.connect(copy)) as connection,
        ):
            for kind in list(without):
                count = connection.execute(f"select count(*) from {kind}").fetchone()
                without -= {kind} if count[0] else set()
    assert without == {"phases"}  # which no database of the corpus has


def test_what_was_sent_is_not_sent_again(central: str) -> None:
    done(central, "--create")
    db = CORPUS / "lots.db"
    first = sent(central, db)
    again = sent(central, db)
    assert first["sent"] > 100
    assert again["sent"] == 0
    assert again["lag_s"] == 0


def test_a_place_without_tables_is_told_and_nothing_is_made(central: str) -> None:
    found = forward(central, "--db", str(CORPUS / "rc.db"))
    assert found.returncode == 1
    assert "--create" in found.stderr
    with psycopg.connect(central) as session:
        assert session.execute(
            "select count(*) from pg_namespace where nspname = 'benchlog'"
        ).fetchone() == (0,)
