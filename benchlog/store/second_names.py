"""Files that have a second name (a hard link), where SQLite goes by the name alone."""

from pathlib import Path

from benchlog.errors import StoreError


def refuse_second_name(path: Path) -> None:
    """Refuse to write a file that has two names, as a copy by hard links leaves it.

    SQLite finds the log by the name: two programs that write under two names know
    nothing of each other, and each writes over the other's pages. Raises StoreError.
    """
    if path.exists() and path.stat().st_nlink > 1:
        raise StoreError(
            f"{path} has a second name (a hard link), under which another program may "
            f"write it, too: `find FOLDER -samefile {path}` finds it. End all keepers "
            "of both, then remove one; `benchlog backup` makes a copy"
        )


def is_of_another(path: Path, beside: Path) -> bool:
    """Whether a file beside a database has a second name where the database has none.

    A copy of a folder by hard links leaves both with two. The file is not opened: to
    close it would drop the locks that this process has on the index of a log.
    """
    try:
        return beside.stat().st_nlink > 1 and path.stat().st_nlink == 1
    except OSError:
        return False
