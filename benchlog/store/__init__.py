"""The store: one SQLite file, one way in (Writer), one way out (Reader)."""

import importlib
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from benchlog.store.files import default_database
    from benchlog.store.reader import Reader
    from benchlog.store.rows import Outline, Row, Segment, VerdictRow
    from benchlog.store.writer import Writer

_FILES: Final = {
    "Outline": "rows",
    "Reader": "reader",
    "Row": "rows",
    "Segment": "rows",
    "VerdictRow": "rows",
    "Writer": "writer",
    "default_database": "files",
}
"""Where each name is: loaded when used, so that who reads loads no writer."""
__all__ = [
    "Outline",
    "Reader",
    "Row",
    "Segment",
    "VerdictRow",
    "Writer",
    "default_database",
]


def __getattr__(name: str) -> Any:
    if name in _FILES:
        return getattr(importlib.import_module(f"{__name__}.{_FILES[name]}"), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
