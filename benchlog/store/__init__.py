"""The store: one SQLite file, one way in (Writer), one way out (Reader)."""

from benchlog.store.files import default_database
from benchlog.store.reader import Reader
from benchlog.store.rows import Outline, Row, Segment, VerdictRow
from benchlog.store.writer import Writer

__all__ = [
    "Outline",
    "Reader",
    "Row",
    "Segment",
    "VerdictRow",
    "Writer",
    "default_database",
]
