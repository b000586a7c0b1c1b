"""The database as a file: may it be written, and is it still the one we opened."""

import os
from pathlib import Path

from benchlog.errors import StoreError

BOOT_ID = Path("/proc/sys/kernel/random/boot_id")


def prepare_to_write(path: Path) -> None:
    """Make the folder of a new database; check that an old one may be written.

    SQLite itself opens a file without write permission and only fails later.
    Raises StoreError.
    """
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise StoreError(
            f"the folder {path.parent} cannot be made: {error.strerror}; "
            "name another database with --db"
        ) from error
    if path.is_dir():
        raise StoreError(f"{path} is a folder; name a file with --db")
    must_take = [path.parent, path] if path.exists() else [path.parent]
    for place in must_take:
        if not os.access(place, os.W_OK):
            raise StoreError(
                f"{place} may not be written; check its rights, or name another "
                "database with --db"
            )


def identity_of(path: Path) -> tuple[int, int] | None:
    """Return device and inode of the file at `path`, None when there is none."""
    try:
        found = path.stat()
    except OSError:
        return None
    return (found.st_dev, found.st_ino)


def wal_of(path: Path) -> Path:
    """Return the path of the write-ahead log beside a database."""
    return path.with_name(path.name + "-wal")


def size_of(path: Path) -> int:
    """Return the size of a file in bytes, 0 when there is none."""
    try:
        return path.stat().st_size
    except OSError:
        return 0


def boot_id() -> str:
    """Return what tells one boot of this host from another, empty where unknown."""
    try:
        return BOOT_ID.read_text().strip()
    except OSError:
        return ""
