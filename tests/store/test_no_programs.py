"""Databases hold no program and no webhook: neither new ones, nor old, nor merged."""

import json
import logging
from contextlib import closing
from dataclasses import replace

import pytest
from store.making import BENCH, begin, connection_of
from store.strange_runs import SECRET, WEBHOOK, older, put_alarms, rule

from benchlog.clock import VirtualClock
from benchlog.model import AlarmRule, Event, Purpose
from benchlog.store import sqlite
from benchlog.store.reader import Reader
from benchlog.store.schema.no_programs import told_without
from benchlog.store.snapshot import run_plan_from, without_programs
from benchlog.store.writer import Writer

COMMAND = ["notify-desk", "--key", SECRET, "{text}"]
UNSENT = f"{WEBHOOK}: <urlopen error [Errno 111] Connection refused>"


def everything(path):
    """Return the bytes of a database and of all that is beside it."""
    return b"".join(one.read_bytes() for one in path.parent.glob(f"{path.name}*"))


def test_a_run_that_begins_keeps_its_rules_and_no_program(tmp_path):
    alarms = (
        AlarmRule(when="lost_s", above=60.0, command=tuple(COMMAND), webhook=WEBHOOK),
    )
    path = tmp_path / "bench.db"
    with Writer.open(path, VirtualClock()) as writer:
        run, _ = begin(writer, bench=replace(BENCH, alarms=alarms))
    with closing(Reader.open(path)) as reader:
        kept = run_plan_from(dict(reader.run(run).snapshot), Purpose.MEASURE)
    assert kept.bench.alarms == (replace(alarms[0], command=(), webhook=""),)
    assert SECRET.encode() not in everything(path)


@pytest.fixture
def old(tmp_path, monkeypatch):
    """A database of schema 7 with four runs, two of which have programs."""
    path = tmp_path / "bench.db"
    with monkeypatch.context() as before:
        older(before, 7)
        with Writer.open(path, VirtualClock()) as writer:
            runs = [begin(writer, f"D{number}") for number in range(4)]
            put_alarms(writer, runs[0][0], rule(command=COMMAND, webhook=WEBHOOK))
            put_alarms(writer, runs[1][0], rule(), rule(webhook=WEBHOOK))
            put_alarms(writer, runs[2][0], rule())
            event = Event(5, 6, "alarm-unsent", UNSENT)
            writer.commit([(*runs[0], event), (*runs[3], Event(5, 6, "note", UNSENT))])
    return path


def test_an_old_database_is_cleaned_and_tells_what_was_taken_out(old, caplog):
    before = snapshots(old)
    with caplog.at_level(logging.WARNING):
        Writer.open(old, VirtualClock()).close()
    (said,) = caplog.messages
    assert "run 1: 1 program and 1 webhook of its alarms" in said
    assert "run 2: 1 webhook of its alarms" in said
    assert "run 3" not in said
    with closing(Reader.open(old)) as reader:
        texts = {
            run: [event.text for _, event in reader.events(run)] for run in range(1, 5)
        }
    assert texts[1] == [
        "its webhook: Connection refused",
        "1 program and 1 webhook of its alarms taken out: they are in the bench file "
        "alone",
    ]
    assert texts[3] == []
    assert texts[4] == [UNSENT]  # a person's own words stay
    after = snapshots(old)
    for run in (1, 2, 3, 4):
        plain, kept = json.loads(before[run]), json.loads(after[run])
        for one in plain["bench"]["alarms"]:
            for name in ("command", "webhook"):
                if one[name]:
                    del one[name]
        assert kept == plain
    assert after[3] == before[3]  # to the letter
    with (
        Writer.open(old, VirtualClock()) as writer,
        pytest.raises(Exception, match="changed"),
    ):
        connection_of(writer).execute("update runs set snapshot = 'x'")
    caplog.clear()
    Writer.open(old, VirtualClock()).close()
    assert caplog.messages == []


def test_nothing_of_it_is_left_in_the_file(old):
    with Writer.open(old, VirtualClock()) as writer:
        writer.checkpoint()
    data = everything(old)
    assert data.count(SECRET.encode()) == UNSENT.count(SECRET)  # the note of run 4
    assert b"notify-desk" not in data


def snapshots(path):
    with closing(sqlite.connect_to_read(path)) as connection:
        return dict(connection.execute("select id, snapshot from runs").fetchall())


def test_what_is_merged_brings_none(tmp_path):
    theirs, ours = tmp_path / "theirs.db", tmp_path / "ours.db"
    with Writer.open(theirs, VirtualClock()) as writer:
        run, _ = begin(writer)
        writer.end_run(run, "interrupted")
        put_alarms(writer, run, rule(command=COMMAND, webhook=WEBHOOK))
    with Writer.open(ours, VirtualClock()) as writer:
        assert writer.merge(theirs).brought == {run: 1}
        assert writer.merge(theirs).known == {run: 1}  # the very run, all the same
        writer.checkpoint()
    assert SECRET.encode() not in everything(ours)


@pytest.mark.parametrize(
    "text",
    [
        "", "{}", "[]", "null", "\x00", '{"bench": 3}', '{"bench": {"alarms": {}}}',
        '{"bench": {"alarms": [1, "x", null, []]}}', "[" * 100_000,
        '{"bench": {"alarms": [{"when": 1, "command": [], "webhook": ""}]}}',
    ],
)  # fmt: skip
def test_what_is_no_snapshot_stays_as_it_is(text):
    assert without_programs(text) == (text, ())


@pytest.mark.parametrize(
    ("text", "clean"),
    [
        (UNSENT, "its webhook: Connection refused"),
        (f"{WEBHOOK}: HTTP Error 403: No", "its webhook: HTTP Error 403: No"),
        (
            "notify-desk: Command '['notify-desk', 'a: b']' returned non-zero exit "
            "status 7.",
            "its program: exit code 7",
        ),
        (
            "/opt/x y: [Errno 2] No such file or directory: '/opt/x y'",
            "its program: No such file or directory",
        ),
        ("notify-desk: did not end within 60 s and was ended",
         "its program: it did not end in time and was ended"),
        ("notify-desk: mail: key t0k3n refused", "its program: it did not arrive"),
        ("8 messages are under way already; this one was not sent",) * 2,
        ("alarm of lost_s: its program: exit code 3",) * 2,
    ],
)  # fmt: skip
def test_old_words_about_what_did_not_arrive(text, clean):
    assert told_without(text) == clean


def test_what_an_imported_run_says_of_its_origin_holds_none_either():
    def held(**origin):
        rules = [{"when": "gap", "command": ["curl", "x"], "webhook": "https://a/b"}]
        return {"bench": {"alarms": rules}, **origin}

    first = held()
    again = held(origin={"file": "a.jsonl", "run": {"run": 1, "snapshot": first}})
    text = json.dumps(held(origin={"file": "b.jsonl", "run": {"snapshot": again}}))
    clean, taken = without_programs(text)
    assert taken == ("1 program", "1 webhook")
    assert "curl" in text and "curl" not in clean
    assert "https" in text and "https" not in clean
    assert clean.count('"when": "gap"') == 3
    assert without_programs(clean) == (clean, ())
