"""What a dataset tells of how far a database is in it: a note in its file of lots.

That file is written last, so it tells only what is there.
"""

import json
from collections.abc import Mapping
from typing import Any, Final

from benchlog.exchange.dataset.folders import Folder
from benchlog.exchange.dataset.packs import LOTS
from benchlog.exchange.dataset.parquet_files import small_file
from benchlog.store.reader import Reader
from benchlog.store.snapshot import UNREADABLE
from benchlog.store.snapshot_types import parsed
from benchlog.store.snapshot_types import table as table_of

FORM: Final = 4
"""Of what a row of a run holds: another one writes all rows anew."""
STATE: Final = b"benchlog.state"
_LISTS: Final = ("packs", "shared", "left_out")


def lots_file(source: str) -> str:
    """Return the name of the file of lots of a database."""
    return f"{LOTS}/{source}.parquet"


def mark_of(reader: Reader) -> str:
    """Return a text that is another one once a database, or our form, has changed."""
    return json.dumps([FORM, reader.change_mark()])


def state_in(folder: Folder, name: str) -> Mapping[str, Any]:
    """Return what a file of lots tells of its database; empty where it is unsound."""
    with small_file(folder, name) as file:
        told = file.notes.get(STATE, b"{}")
    try:
        state = table_of(parsed(told), "the state")
        lists = all(isinstance(state[name], list) for name in _LISTS)
        numbers = isinstance(state["runs"], int)
        named = isinstance(state["unreadable"], dict)
    except UNREADABLE:
        return {}
    return state if lists and numbers and named else {}
