"""Bringing a database back whose file was taken away while it was open."""

from pathlib import Path

from benchlog.store.sqlite import Connection


def place_for(path: Path, utc_ns: int) -> Path:
    """Return `path` when nothing stands there, else a name beside it."""
    if not path.exists():
        return path
    return path.with_name(f"{path.stem}-rescued-{utc_ns // 10**9}{path.suffix}")


def copy_whole(connection: Connection, to: Path) -> None:
    """Copy all that an open connection still sees into a new file; ids stay."""
    to.parent.mkdir(parents=True, exist_ok=True)
    connection.execute("vacuum into ?", (str(to),))
