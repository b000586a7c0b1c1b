"""Bringing a database back whose file was taken away while it was open."""

from pathlib import Path

from benchlog.errors import StoreError
from benchlog.store import files, sqlite
from benchlog.store.session import Session
from benchlog.store.sqlite import SqliteError


def place_for(path: Path, utc_ns: int) -> Path:
    """Return `path` when nothing stands there, else a name beside it."""
    if not path.exists():
        return path
    return path.with_name(f"{path.stem}-rescued-{utc_ns // 10**9}{path.suffix}")


def rescued(session: Session, to: Path) -> Session:
    """Copy all that an open session still sees into a new file and open that; ids stay.

    Raises StoreError when the copy cannot be made; then the old session stays open.
    """
    try:
        to.parent.mkdir(parents=True, exist_ok=True)
        # A log that belongs to nothing would be taken for the new file's own.
        for leftover in (files.wal_of(to), files.shm_of(to)):
            leftover.unlink(missing_ok=True)
        session.connection.execute("vacuum into ?", (str(to),))
    except SqliteError as error:
        raise sqlite.store_error(error, to) from error
    except OSError as error:
        raise StoreError(f"{to} cannot be written: {error.strerror}") from error
    fresh = Session.open(to, guarded=session.guarded)
    session.close()
    return fresh
