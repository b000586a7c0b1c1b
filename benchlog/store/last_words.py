"""Which of two databases said last whether a run counts, and whether its device failed.

Of the events that tell it the newest row counts, since a clock may be set back between
two of them. A merge puts what was said elsewhere behind what was said here, so where
that is older, what was said last has to be said once more.
"""

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any, Final

from benchlog.store.logged_tables import EVENTS
from benchlog.store.sqlite import Connection

_KINDS: Final = ("'set-aside', 'held', 'restored'", "'damaged', 'undamaged'")
"""What each other of these kinds takes back."""
_NEWEST: Final = """
select utc_ns, mono_ns, kind, text, id from {0}events
where run_id = ? and kind in ({1}) order by id desc limit 1
"""
_KNOWN: Final = """
select exists(select 1 from {0}events where run_id = ? and utc_ns = ? and mono_ns = ?
  and kind = ? and text = ?)
"""
_COLUMNS: Final = ", ".join(("run_id", "segment_id", *EVENTS.noun_columns))
_AGAIN: Final = f"""
insert into events ({_COLUMNS}) select {_COLUMNS} from events where id = ?
"""  # noqa: S608 - our own names


@contextmanager
def last_words_kept(connection: Connection, run: int, here: int) -> Iterator[None]:
    """Let what was said last count once the events of a run there have come in.

    What the other database knew of as it said its own goes before that; where neither
    knew of the other's, the time at which it was said decides.
    """
    ours = {
        kinds: said
        for kinds in _KINDS
        if (said := _newest(connection, "", here, kinds)) is not None
        and _is_last(connection, said, run, here, kinds)
    }
    yield
    for kinds, said in ours.items():
        now = _newest(connection, "", here, kinds)
        if now is not None and now[:-1] != said[:-1]:
            connection.execute(_AGAIN, (said[-1],))


def _is_last(
    connection: Connection, ours: tuple[Any, ...], run: int, here: int, kinds: str
) -> bool:
    theirs = _newest(connection, "other.", run, kinds)
    if theirs is None or _is_known(connection, "", here, theirs):
        return True
    if _is_known(connection, "other.", run, ours):
        return False
    return bool(ours[0] > theirs[0])


def _newest(
    connection: Connection, schema: str, run: int, kinds: str
) -> tuple[Any, ...] | None:
    found = connection.execute(_NEWEST.format(schema, kinds), (run,)).fetchone()
    return None if found is None else tuple(found)


def _is_known(
    connection: Connection, schema: str, run: int, said: tuple[Any, ...]
) -> bool:
    asked = (run, *said[:-1])
    return bool(connection.execute(_KNOWN.format(schema), asked).fetchone()[0])
