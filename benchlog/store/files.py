"""The database as a file: where it lives, may it be written, is it still the same.

The lock beside it comes last.
"""

import contextlib
import errno
import math
import os
from collections.abc import Iterator, Mapping
from contextlib import AbstractContextManager
from pathlib import Path
from typing import Final, Protocol

from benchlog.errors import StoreError, StoreLockedError
from benchlog.store.second_names import is_of_another, refuse_second_name
from benchlog.store.whole_files import created

DATABASE_VARIABLE: Final = "BENCHLOG_DB"
BOOT_ID: Final = Path("/proc/sys/kernel/random/boot_id")
_PROBE_BYTES: Final = 65_536
_NO_ROOM: Final = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG)
_OWN_FILES: Final = "/proc/self/fd"


def default_database(environment: Mapping[str, str] = os.environ) -> Path:
    """Return the database named by `BENCHLOG_DB`, else the one in the data folder."""
    named = environment.get(DATABASE_VARIABLE, "")
    if named:
        return Path(named).expanduser()
    import platformdirs  # noqa: PLC0415 - not needed for a named one

    return Path(platformdirs.user_data_dir("benchlog", appauthor=False)) / "benchlog.db"


def followed(path: Path) -> Path:
    """Return where a link leads; any other path as it is.

    The log, its index and a keeper's socket stand beside the file itself.
    """
    # `Path.is_symlink` raises where its folder may not be looked into
    return Path(os.path.realpath(path)) if os.path.islink(path) else path  # noqa: PTH114


class FileIdentity:
    """Whether a path still leads to the file that it led to when this was made.

    On Linux the kernel's own name of the open file is looked at, which says `(deleted)`
    or a new name. Asking stat for it instead would cost 50 us at each commit: once its
    times were looked at, the next write to the log has to journal them. The handle is
    a bare path handle, so that closing it does not drop SQLite's locks.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        self._handle = -1
        if hasattr(os, "O_PATH") and Path(_OWN_FILES).exists():
            with contextlib.suppress(OSError):
                self._handle = os.open(path, os.O_PATH | os.O_CLOEXEC)
        self._at_first = self._look()
        self._identity = identity_of(path)

    @property
    def handle(self) -> int:
        """The bare handle of the file, below 0 where there is none."""
        return self._handle

    def glance(self) -> bool:
        """Whether it is still there; cheap enough for every commit."""
        return self._at_first is not None and self._at_first == self._look()

    def still_there(self) -> bool:
        """Whether it is still there, looked at from both sides."""
        return self.glance() and identity_of(self._path) == self._identity

    def close(self) -> None:
        """Let go of the handle. May be called twice."""
        if self._handle >= 0:
            os.close(self._handle)
            self._handle = -1

    def _look(self) -> str | tuple[int, int] | None:
        if self._handle < 0:
            return identity_of(self._path)
        # not Path.readlink, which is four times as slow
        return os.readlink(f"{_OWN_FILES}/{self._handle}")  # noqa: PTH115


def prepare_to_write(path: Path) -> None:
    """Make a new database, empty, for its owner; check that an old one may be written.

    Links were followed before. The log and its index get the rights of the file.
    SQLite itself opens a file without write permission and only fails later. Raises
    StoreError.
    """
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise StoreError(
            f"the folder {path.parent} cannot be made: {error.strerror}; "
            "name another database with --db"
        ) from error
    refuse_special(path)
    refuse_second_name(path)
    must_take = [path.parent, path] if path.exists() else [path.parent]
    for place in must_take:
        if not os.access(place, os.W_OK):
            raise StoreError(
                f"{place} may not be written; check its rights, or name another "
                "database with --db"
            )
    if not path.exists():
        with contextlib.suppress(OSError):  # SQLite tells what is wrong
            os.close(created(path))


def refuse_special(path: Path) -> None:
    """Refuse a pipe, a device or a socket, which would hold us up or keep nothing.

    Also one that lies beside a database under the name of its log, and a file that is
    only linked to there: SQLite would write over it. Raises StoreError.
    """
    if path.is_dir():
        raise StoreError(f"{path} is a folder; name a file with --db")
    if path.exists() and not path.is_file():
        raise StoreError(
            f"{path} is a device, a pipe or a socket, no file; name a file with --db"
        )
    for beside in (wal_of(path), shm_of(path), journal_of(path)):
        if beside.exists() and not beside.is_file():
            raise StoreError(
                f"{beside} is no file, and stands where the database has its log; "
                "move it away, or name another file with --db"
            )
        if is_of_another(path, beside):
            raise StoreError(
                f"{beside} has a second name (a hard link), and stands where the "
                f"database has its log; `find FOLDER -samefile {beside}` finds it; "
                "move this one away, or name another file with --db"
            )


_JOURNAL_MAGIC: Final = bytes.fromhex("d9d505f920a163d7")  # SQLite's file format


def refuse_super_journal(path: Path) -> None:
    """Refuse a journal that names a further file, which SQLite removes when it is done.

    SQLite 3.40 removes whatever file it names (3.53 does not), and a journal may have
    come with a stranger's database. None of ours ever names one: that takes a
    transaction over several databases. Raises StoreError.
    """
    journal = journal_of(path)
    try:
        with journal.open("rb") as file:
            file.seek(max(0, size_of(journal) - len(_JOURNAL_MAGIC)))
            names_one = file.read() == _JOURNAL_MAGIC
    except OSError:
        return
    if names_one:
        raise StoreError(
            f"{journal} is of another program: SQLite would remove the file that it "
            "names; move it away, or name another database with --db"
        )


def identity_of(path: Path) -> tuple[int, int] | None:
    """Return device and inode of the file at `path`, None when there is none."""
    try:
        found = path.stat()
    except OSError:
        return None
    return (found.st_dev, found.st_ino)


def is_own(path: Path) -> bool:
    """Whether the file at `path` belongs to who asks, where files belong to anybody."""
    if not hasattr(os, "geteuid"):
        return True
    try:
        return path.stat().st_uid == os.geteuid()
    except OSError:
        return False


def wal_of(path: Path) -> Path:
    """Return the path of the write-ahead log beside a database."""
    return path.with_name(path.name + "-wal")


def forwarded_of(path: Path) -> Path:
    """Return the path of an empty file whose age is how long ago all was sent on."""
    return path.with_name(path.name + "-forwarded")


def note_forwarded(path: Path) -> None:
    """Note that all of a database has been sent on by now.

    Whoever may not write beside it leaves no note: nothing but an alarm needs it. A
    pipe of that name, which would wait for a reader, gets none.
    """
    with contextlib.suppress(OSError):
        flags = os.O_CREAT | os.O_WRONLY | getattr(os, "O_NOFOLLOW", 0)
        flags |= getattr(os, "O_NONBLOCK", 0)
        number = os.open(forwarded_of(path), flags, 0o600)
        try:
            os.utime(number)
        finally:
            os.close(number)


def forwarded_utc_ns(path: Path) -> int | None:
    """Return when all of a database had been sent on; None where it never was."""
    try:
        return forwarded_of(path).lstat().st_mtime_ns
    except OSError:
        return None


def shm_of(path: Path) -> Path:
    """Return the path of the shared index of that log."""
    return path.with_name(path.name + "-shm")


def journal_of(path: Path) -> Path:
    """Return the path of the journal that a database without such a log has."""
    return path.with_name(path.name + "-journal")


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


def has_no_room(path: Path) -> bool:
    """Whether there is no room to write at `path`: disk, quota or file size limit.

    SQLite calls a used-up quota and a file size limit an I/O error like any other.
    """
    import tempfile  # noqa: PLC0415 - seldom needed

    largest = max(size_of(path), size_of(wal_of(path)))
    if largest + _PROBE_BYTES > _largest_allowed():
        return True
    try:
        with tempfile.TemporaryFile(dir=path.parent) as probe:
            probe.write(bytes(_PROBE_BYTES))
    except OSError as error:
        return error.errno in _NO_ROOM
    return False


def _largest_allowed() -> float:
    """Return how many bytes a file of this process may have, where that is limited."""
    try:
        import resource  # noqa: PLC0415 - POSIX only
    except ImportError:
        return math.inf
    limit, _ = resource.getrlimit(resource.RLIMIT_FSIZE)
    return math.inf if limit == resource.RLIM_INFINITY else limit


# --- one file lock beside the database, for a SQLite library with the WAL bug
#
# There a commit on one connection may not meet the start of a checkpoint on another:
# every commit and every checkpoint of ours then happens under this lock, and automatic
# checkpoints are off. With a fixed SQLite nothing is locked.

_RETRY_S: Final = 0.005


class Guard(Protocol):
    """What a writer holds while it commits or checkpoints."""

    def held(self) -> AbstractContextManager[None]:
        """Hold it for the length of a `with`. Raises StoreLockedError."""
        ...

    def close(self) -> None:
        """Let go of the lock's file."""
        ...


class NoGuard:
    """Nothing to hold: SQLite's own locks suffice."""

    def held(self) -> AbstractContextManager[None]:
        """See `Guard.held`."""
        return contextlib.nullcontext()

    def close(self) -> None:
        """See `Guard.close`."""


class FileLock:
    """An advisory lock on `NAME-lock` beside the database."""

    def __init__(self, database: Path, limit_s: float) -> None:
        import filelock  # noqa: PLC0415 - seldom needed

        self.path = database.with_name(database.name + "-lock")
        if self.path.is_symlink():  # filelock before 3.20.1 emptied what it leads to
            raise StoreError(
                f"{self.path} is a link, and stands where the database has its lock; "
                "move it away, or name another file with --db"
            )
        # The file stays: removing it would split the lock.
        self._lock = filelock.FileLock(
            self.path, timeout=limit_s, mode=0o600, thread_local=False
        )

    @contextlib.contextmanager
    def held(self) -> Iterator[None]:
        """See `Guard.held`."""
        try:
            self._lock.acquire(poll_interval=_RETRY_S)
        except TimeoutError:
            raise StoreLockedError(
                f"another program holds {self.path}; try again"
            ) from None
        except OSError as error:
            raise StoreError(
                f"the lock file {self.path} cannot be made: {error.strerror}; "
                "check the rights of its folder"
            ) from error
        try:
            yield
        finally:
            self._lock.release()

    def close(self) -> None:
        """See `Guard.close`."""
        self._lock.release(force=True)
