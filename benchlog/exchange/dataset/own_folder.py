"""What lies in a dataset's folder and would lead a write or a removal out of it.

A dataset is shared, and somebody else may have filled its folder. Reading through a
link harms nothing; writing through one would replace, and tidying would remove, what
is no part of the dataset.
"""

import os
from collections.abc import Iterator
from pathlib import Path
from typing import Final

from benchlog.errors import DataError

LOCK: Final = ".lock"
QUERIES: Final = "queries.sql"
_TABLES: Final = ("runs", "readings", "lots")
_DEEPEST: Final = 3  # folders of partitions in each other, in the older form


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
    for table in _TABLES:
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
