"""Rows that a damaged or hostile database holds end the sending of nothing else."""

import sqlite3
from contextlib import closing
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
FIGURES = ('{"a": 1e999}', '{"a": NaN}', '{"a": "\\u0000"}', '{"a": "\\ud800"}', "no")
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
        assert session.execute(sql).fetchone() == (len(FIGURES), 2)
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
