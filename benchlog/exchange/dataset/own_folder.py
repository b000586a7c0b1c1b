"""What is a dataset's own folder, and what in it would lead a write or a removal out.

A dataset is shared, and somebody else may have filled its folder. Reading through a
link harms nothing; writing through one would replace, and tidying would remove, what
is no part of the dataset.
"""

import os
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Final

from benchlog.errors import DataError
from benchlog.units import printable

LOCK: Final = ".lock"
QUERIES: Final = "queries.sql"
TABLES: Final = ("runs", "readings", "lots")
_OURS: Final = (LOCK, QUERIES, *TABLES)
_IN_TABLE: Final = re.compile(r"part=.+|[0-9a-f-]{12,36}\.parquet", re.DOTALL)
"""Partitions of runs and readings, files of lots; see `packs`."""
_DEEPEST: Final = 3  # folders of partitions in each other, in the older form


def refuse_others(folder: Path) -> None:
    """Refuse a folder that has other files in it, and no dataset.

    Of what lies deeper nothing is looked at. Raises DataError that names one file.
    """
    if not folder.is_dir() or any(_has_ours(folder / table) for table in TABLES):
        return
    with os.scandir(folder) as entries:
        names = (one.name for one in entries)
        other = next((one for one in names if one not in _OURS), None)
    if other is not None:
        raise DataError(
            f"{printable(str(folder))} is no dataset, and not empty: it has "
            f"{printable(other)}; nothing is written there: name a new folder"
        )


def _has_ours(table: Path) -> bool:
    if not table.is_dir():
        return False
    with os.scandir(table) as entries:
        return any(_IN_TABLE.fullmatch(one.name) for one in entries)


def refuse_strange(folder: Path) -> None:
    """Refuse links in the place of folders, and what is no plain file in that of ours.

    Raises DataError that names the first one.
    """
    for path in (folder / LOCK, folder / QUERIES):
        if os.path.lexists(path) and (path.is_symlink() or not path.is_file()):
            raise DataError(
                f"{path} is a link or no plain file; a dataset is written in its own "
                "folder alone: move it away"
            )
    for table in TABLES:
        for link in _links_to_folders(folder / table, _DEEPEST):
            raise DataError(
                f"{link} leads out of the dataset; nothing is written or removed "
                "through a link: put a folder in its place"
            )


def _links_to_folders(folder: Path, deeper: int) -> Iterator[Path]:
    if folder.is_symlink():
        yield folder
    elif folder.is_dir():
        with os.scandir(folder) as entries:
            below = [one for one in entries if "=" in one.name]
        for one in below:
            if one.is_symlink():
                yield folder / one.name
            elif deeper and one.is_dir():
                yield from _links_to_folders(folder / one.name, deeper - 1)
