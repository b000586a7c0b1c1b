"""The eighth schema step: no program and no webhook in what a run was begun with.

They are in the bench file of the computer that measures, and nowhere else. What was in
snapshots, and in events about messages that did not arrive, is taken out; an event of
each run tells what it was. A released step is never edited.
"""

import re
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any, Final

from sqlite_utils import Database

from benchlog.clock import host_clock
from benchlog.masking import masked
from benchlog.store.snapshot import without_programs

_UNSENT: Final = "alarm-unsent"
_NOTE: Final = """
insert into events (run_id, segment_id, utc_ns, mono_ns, kind, text, instrument)
values (?, null, ?, 0, 'note', ?, '')
"""
_EXIT: Final = re.compile(r"returned non-zero exit status (-?\d+)")
_ERRNO: Final = re.compile(r"\[Errno -?\d+\] ([^:'\"]+)")


def programs_removed(db: Database) -> tuple[str, ...]:
    """Clean all runs, in the caller's transaction; return what was taken out of which.

    What was deleted is overwritten in the file, too.
    """
    db.execute("pragma secure_delete=on")
    told = tuple(_clean_runs(db))
    _clean_events(db)
    return told


def _clean_runs(db: Database) -> Iterator[str]:
    found = []
    for run, snapshot in db.execute(
        "select id, snapshot from runs where instr(snapshot, '\"alarms\"') order by id"
    ):
        clean, taken = without_programs(snapshot)
        if taken:
            found.append((run, clean, taken))
    with _lifted(db, "runs"):
        for run, clean, taken in found:
            db.execute("update runs set snapshot = ? where id = ?", (clean, run))
            what = " and ".join(taken)
            text = f"{what} of its alarms taken out: they are in the bench file alone"
            db.execute(_NOTE, (run, host_clock().utc_ns(), text))
            yield f"run {run}: {what} of its alarms"


def _clean_events(db: Database) -> None:
    rows = db.execute(
        "select id, text from events where kind = ? order by id", (_UNSENT,)
    ).fetchall()
    with _lifted(db, "events"):
        for event, text in rows:
            clean = told_without(text)
            if clean != text:
                db.execute("update events set text = ? where id = ?", (clean, event))


def told_without(text: str) -> str:
    """Return the text of a message that did not arrive, without its addressee.

    Until this step it began with the webhook, or with the program and all its words.
    """
    if ": " not in text:
        return text  # it told of no addressee: too many under way, no process
    what, _, why = text.partition(": ")
    if re.match(r"https?:", text):
        what, _, why = text.partition(" ")
        return f"its webhook: {_known(why) or masked(why)}"
    if what.startswith(("its ", "alarm of ", "no process ")):
        return text
    return f"its program: {_known(why) or 'it did not arrive'}"


def _known(why: str) -> str:
    """Return a reason that has no words of the bench file in it, if it is known."""
    status, system = _EXIT.search(why), _ERRNO.search(why)
    if status:
        return f"exit code {status[1]}"
    if system:
        return system[1].strip().rstrip(">")
    for sign, words in (
        ("timed out", "no answer in time"),
        ("did not end within", "it did not end in time and was ended"),
        ("HTTP Error", ""),
    ):
        if sign in why:
            return words or masked(why)
    return ""


@contextmanager
def _lifted(db: Database, table: str) -> Iterator[None]:
    """Take away the trigger that forbids to change a table, and put it back."""
    name = f"{table}_keep_on_update"
    found: Any = db.execute(
        "select sql from sqlite_master where type = 'trigger' and name = ?", (name,)
    ).fetchone()
    if found is not None:
        db.execute(f"drop trigger {name}")
    yield
    if found is not None:
        db.execute(found[0])
