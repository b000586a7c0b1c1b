"""Rows that a damaged or hostile database holds end the sending of nothing else."""

import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

import psycopg
from forwarding.made_benches import made_database
from forwarding.sending import done, forward

VERDICT = (
    "insert into verdicts (run_id, at_utc_ns, word, rule, figures)"
    " values (?, ?, 'pass', 'r', ?)"
)
EVENT = (
    "insert into events (run_id, utc_ns, mono_ns, kind, text, instrument, raw)"
    " values (1, ?, 0, 'note', {}, '', x'00ff')"
)
FIGURES = (
    *('{"a": 1e999}', '{"a": NaN}', '{"a": "\\u0000"}', '{"a": "\\ud800"}', "no"),
    *(r'{"a": "\\u0000"}', r'{"\\\u0000": "\\"}', r'{"a": "x\\\\\u0000"}'),
)
"""The last line has backslashes before what looks like a NUL: a text of people may."""
WRONG = (
    "update readings set frequency_hz = 'rc' where id = 2",
    "update events set mono_ns = null where id = 1",
    "update segments set began_mono_ns = 'x' where run_id = 2",
    "update parts set nominal_hz = '../../x'",
    "insert into verdicts (run_id, at_utc_ns, word, rule) values (1, 'x', 'pass', 'r')",
)
"""What only a damaged database, or a stranger's, can hold."""
TEXTS = ("'a' || char(0) || 'b'", "cast(x'ff41' as text)", "'ö␀'", "char(55357)")


def test_odd_texts_and_figures_are_sent_as_what_can_be_kept(
    central: str, tmp_path: Path
) -> None:
    db = made_database(tmp_path / "odd.db", 2, 5)
    with closing(sqlite3.connect(db)) as connection, connection:
        for number, figures in enumerate(FIGURES):
            connection.execute(VERDICT, (1, number, figures))
        for number, text in enumerate(TEXTS):
            connection.execute(EVENT.format(text), (number,))
        connection.execute(
            "insert into devices (device, part_id) values (?, 'quartz-16mhz')",
            ("x" * 3_000,),
        )
    done(central, "--create")
    found = forward(central, "--db", str(db), "--readings")
    assert found.returncode == 0, found.stderr
    assert "name is too long" in found.stderr
    with psycopg.connect(central) as session:
        sql = "select text from benchlog.events where utc_ns < 9 order by utc_ns"
        texts = [text for (text,) in session.execute(sql)]
        assert texts[0] == "a␀b" and len(texts) == len(TEXTS)
        sql = (
            "select count(*), count(figures) from benchlog.verdicts where at_utc_ns < 9"
        )
        assert session.execute(sql).fetchone() == (len(FIGURES), 5)
        sql = "select count(*) from benchlog.runs_named"
        assert session.execute(sql).fetchone() == (2,)
    again = done(central, "--db", str(db), "--readings")
    assert again["sent"] == 0


def test_passwords_of_instruments_stay_at_the_bench(
    central: str, tmp_path: Path
) -> None:
    db = made_database(tmp_path / "bench.db", 1, 2)
    with closing(sqlite3.connect(db)) as connection, connection:
        connection.execute("drop trigger runs_keep_on_update")
        connection.execute(
            "update runs set snapshot ="
            " replace(snapshot, 'TCPIP::h::1::SOCKET', 'rfc2217://u:hush@h:1')"
        )
    done(central, "--create")
    done(central, "--db", str(db))
    with psycopg.connect(central) as session:
        sql = "select snapshot::text from benchlog.runs"
        ((told,),) = session.execute(sql).fetchall()
    assert "hush" not in told and "rfc2217" in told


def test_rows_of_other_kinds_hold_up_no_others(central: str, tmp_path: Path) -> None:
    """Before, one such row ended the sending of its database for good."""
    db = made_database(tmp_path / "wrong.db", 3, 20)
    with loosened(db) as connection:
        for statement in WRONG:
            connection.execute(statement)
        events = connection.execute("select count(*) from events").fetchone()[0]
    done(central, "--create")
    found = forward(central, "--db", str(db), "--readings")
    assert found.returncode == 0, found.stderr
    for table in ("readings", "events", "segments", "parts", "verdicts"):
        assert f"a row of {table}" in found.stderr
    with psycopg.connect(central) as session:
        counts = {
            table: session.execute(f"select count(*) from benchlog.{table}").fetchone()
            for table in ("runs", "readings", "events", "segments")
        }
    assert counts["runs"] == (3,)
    assert counts["readings"] == (59,)
    assert counts["events"] == (events - 1,)
    assert counts["segments"] == (2,)
    again = done(central, "--db", str(db), "--readings")
    assert again["sent"] == 0


@contextmanager
def loosened(db: Path) -> Iterator[sqlite3.Connection]:
    """A database that takes what no type, check, key or trigger of ours would."""
    with closing(sqlite3.connect(db, isolation_level=None)) as connection:
        found = "select name from sqlite_master where type = 'trigger'"
        for (name,) in connection.execute(found).fetchall():
            connection.execute(f"drop trigger {name}")
        kept = connection.execute("select sql, name from sqlite_master").fetchall()
        for pragma in ("writable_schema=on", "ignore_check_constraints=on"):
            connection.execute(f"pragma {pragma}")
        connection.execute(
            "update sqlite_master set sql = replace(replace(sql, ' STRICT', ''),"
            " 'NOT NULL', '') where type = 'table'"
        )
        connection.execute("pragma writable_schema=reset")
        connection.execute("pragma foreign_keys=off")
        yield connection
        connection.execute("pragma writable_schema=on")
        connection.executemany("update sqlite_master set sql = ? where name = ?", kept)
        connection.execute("pragma writable_schema=off")
