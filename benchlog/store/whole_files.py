"""Files that are whole or not there, and files for their owner only.

A file is written beside its place as `.NAME.PID.part`, created exclusively, links not
followed, and takes its name when all went well. The lock on it tells a file that is
being written from one that a killed program left, which the next one removes.
"""

import contextlib
import errno
import os
from collections.abc import Iterator
from pathlib import Path
from typing import Final

from benchlog.errors import BenchlogError, UsageError

_OWNER_ONLY: Final = 0o600
_ALL_WITHIN_UMASK: Final = 0o666
_EXCLUSIVE: Final = os.O_CREAT | os.O_EXCL | os.O_RDWR
_NO_LINK: Final = getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_CLOEXEC", 0)
_LONGEST_NAME: Final = 255  # bytes; what most file systems take
_OF_A_COPY: Final = ("-wal", "-shm", "-journal")  # what SQLite keeps beside a copy
_NO_ROOM: Final = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG)
_DATABASE: Final = b"SQLite format 3\0"
"""Source: SQLite, Database File Format, section 1.3.1."""
_BESIDE_ONE: Final = (*_OF_A_COPY, "-lock")
_ADDED: Final = len(".") + len(".") + 10 + len(".part")  # bytes beside the name


def created(path: Path) -> int:
    """Create a file for its owner only and return its descriptor.

    Whatever stands there, be it a link that leads nowhere, is left alone. Raises
    OSError.
    """
    return _owner_only(os.open(path, _EXCLUSIVE | _NO_LINK, _OWNER_ONLY))


def opened_to_append(path: Path) -> int:
    """Open a file of our own to append to, or create it for its owner only.

    A link of either kind, a device, a pipe and another user's file are refused. Raises
    OSError.
    """
    with contextlib.suppress(FileExistsError):
        return created(path)
    flags = os.O_WRONLY | os.O_APPEND | getattr(os, "O_NONBLOCK", 0) | _NO_LINK
    fd = os.open(path, flags)
    found = os.fstat(fd)
    own = not hasattr(os, "geteuid") or found.st_uid == os.geteuid()
    if not (_is_plain(fd) and own and found.st_nlink == 1):
        os.close(fd)
        raise OSError(errno.EPERM, "is no file of our own", str(path))
    return fd


def _owner_only(fd: int) -> int:
    if hasattr(os, "fchmod"):  # a umask may have taken the owner's own rights away
        os.fchmod(fd, _OWNER_ONLY)
    return fd


def _is_plain(fd: int) -> bool:
    import stat  # noqa: PLC0415 - seldom needed

    return stat.S_ISREG(os.fstat(fd).st_mode)


# --- a file that appears whole


@contextlib.contextmanager
def finished(
    out_path: Path, *, overwrite: bool, owner_only: bool = False
) -> Iterator[Path]:
    """Give an empty file to write to that becomes `out_path` when all went well.

    Its path may be one for this process alone, which no link can take the place of.
    With `owner_only` it stays its owner's, as a database does; otherwise the umask has
    its say. Raises UsageError when the file exists and may not be overwritten, has too
    long a name, or holds records, BenchlogError when it cannot be written.
    """
    check_place(out_path, overwrite=overwrite)
    try:
        refuse_records(out_path, is_database=owner_only)
        _remove_leftovers(out_path)
        fd, rights = _begun(_part_of(out_path))
    except OSError as error:
        raise _unwritable(out_path, error) from error
    written = _part_of(out_path)
    try:
        yield written if owner_only else _by_handle(fd, written)
        os.fsync(fd)
        if not owner_only and hasattr(os, "fchmod"):
            os.fchmod(fd, rights)
        refuse_records(out_path, is_database=owner_only)  # made there meanwhile
        _refuse_exchanged(fd, written)
        _put_in_place(written, out_path, overwrite=overwrite)
    except OSError as error:
        raise _unwritable(out_path, error) from error
    finally:
        _remove(written)
        os.close(fd)


def _by_handle(fd: int, part: Path) -> Path:
    """Return a path to an open file that leads nowhere else, whoever moves its name.

    In a folder that others may write to, a link could take its place by now, and what
    that leads to would be written over. Linux alone has such paths; a database is
    opened by its name, and SQLite writes no copy over what is there.
    """
    handle = Path(f"/proc/self/fd/{fd}")
    return handle if handle.exists() else part


def _refuse_exchanged(fd: int, part: Path) -> None:
    """Refuse to give its name to what is not the file that was written."""
    if os.path.samestat(os.fstat(fd), part.lstat()):
        return
    raise BenchlogError(
        f"{part} was exchanged by somebody while it was written; nothing was put in "
        "its place: write to a folder where only you may write"
    )


def check_place(out_path: Path, *, overwrite: bool) -> None:
    """Refuse a file that cannot be written; asked before its contents are worked out.

    Raises UsageError for a name that no file can have, a file that exists and may not
    be overwritten, what is no file, and a folder that takes no file.
    """
    check_name(out_path)
    try:
        if not overwrite and os.path.lexists(out_path):
            raise UsageError(f"{out_path} exists; name another file or add --overwrite")
        if out_path.exists() and not (out_path.is_file() or out_path.is_dir()):
            raise UsageError(f"{out_path} is a device, a pipe or a socket; name a file")
    except OSError as error:
        raise _unwritable(out_path, error) from error
    check_folder(out_path)


def check_folder(out_path: Path) -> None:
    """Refuse a new file whose folder is not there or takes none. Raises UsageError."""
    folder = out_path.parent
    if not os.path.exists(folder):  # noqa: PTH110 - False also where it may not be seen
        fault = f"there is no folder {folder}; make it"
    elif not folder.is_dir():
        fault = f"{folder} is a file, no folder; correct the path"
    elif not os.access(folder, os.W_OK | os.X_OK):
        fault = f"no file can be made in {folder}; check its rights"
    else:
        return
    raise UsageError(f"{out_path} cannot be written: {fault}, or name another file")


def refuse_records(path: Path, *, is_database: bool = False) -> None:
    """Refuse to put a file where a database is, or what SQLite keeps beside one.

    A wrong name behind --out would lose every run in it; only a database may take the
    place of another (`is_database`). Raises UsageError, OSError.
    """
    if not is_database and _holds_records(path):
        raise UsageError(
            f"{path} is a database, and all its runs would be lost; name another file"
        )
    for beside in _BESIDE_ONE:
        if path.name.endswith(beside):
            whose = path.with_name(path.name.removesuffix(beside))
            if whose.name and _holds_records(whose):
                raise UsageError(
                    f"{path} belongs to the database {whose}; name another file"
                )


def _holds_records(path: Path) -> bool:
    if not path.is_file():
        return False
    with path.open("rb") as stream:
        return stream.read(len(_DATABASE)) == _DATABASE


def check_name(path: Path) -> None:
    """Refuse a name that no file can have. Raises UsageError."""
    if path.name in ("", ".."):  # an empty name is the current folder's
        raise UsageError(f"{path} is a folder; name a file")
    length, most = len(os.fsencode(path.name)), _longest_name(path.parent)
    if length > most:
        raise UsageError(
            f"{path.name[:40]}... has {length} bytes, and a file's name may have "
            f"{most}; give a shorter one"
        )


def _longest_name(folder: Path) -> int:
    try:
        return os.pathconf(folder, "PC_NAME_MAX")
    except (OSError, ValueError, AttributeError):
        return _LONGEST_NAME


def _unwritable(path: Path, error: OSError) -> BenchlogError:
    if error.errno == errno.ENAMETOOLONG:
        return UsageError(
            f"the path {str(path)[:60]}... is too long; give a shorter one"
        )
    is_full = error.errno in _NO_ROOM
    advice = "free some space" if is_full else "check the rights of its folder"
    return BenchlogError(
        f"{path} cannot be written: {error.strerror or error}; {advice}, or name "
        "another file"
    )


def _stem(out_path: Path) -> str:
    """Return what the names of the parts of a file begin with; never too long."""
    room = _longest_name(out_path.parent) - _ADDED
    return os.fsdecode(os.fsencode(out_path.name)[:room])


def _part_of(out_path: Path) -> Path:
    return out_path.with_name(f".{_stem(out_path)}.{os.getpid()}.part")


def _begun(part: Path) -> tuple[int, int]:
    """Create the part, held by a lock; return it and the rights it is to have."""
    fd = os.open(part, _EXCLUSIVE | _NO_LINK, _ALL_WITHIN_UMASK)
    rights = os.fstat(fd).st_mode & 0o777
    _owner_only(fd)
    _locked(fd)
    return fd, rights


def _locked(fd: int) -> bool:
    """Whether nobody else holds this file, which is ours from now on."""
    try:
        import fcntl  # noqa: PLC0415 - POSIX only
    except ImportError:
        return False
    try:
        fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        return False
    return True


def _remove_leftovers(out_path: Path) -> None:
    """Remove what killed programs left of this file: parts that nobody holds."""
    begins = f".{_stem(out_path)}."
    with contextlib.suppress(OSError):
        for entry in os.scandir(out_path.parent):
            number = entry.name.removeprefix(begins).removesuffix(".part")
            if entry.name == f"{begins}{number}.part" and number.isdecimal():
                _remove_unheld(Path(entry.path))


def remove_parts_under(folder: Path, suffix: str) -> None:
    """Remove what killed programs left of files with a suffix: parts that nobody holds.

    For folders whose files get a new name each time: none is written a second time.
    """
    for part in folder.rglob(f".*{suffix}.*.part"):
        if part.name.removesuffix(".part").rpartition(".")[2].isdecimal():
            _remove_unheld(part)


def _remove_unheld(part: Path) -> None:
    with contextlib.suppress(OSError):
        fd = os.open(part, os.O_RDWR | getattr(os, "O_NONBLOCK", 0) | _NO_LINK)
        try:
            if _is_plain(fd) and _locked(fd):
                _remove(part)
        finally:
            os.close(fd)


def _remove(part: Path) -> None:
    for beside in _OF_A_COPY:  # before the part, which tells of them
        with contextlib.suppress(OSError):  # a name that is too long is no file's
            Path(f"{part}{beside}").unlink(missing_ok=True)
    part.unlink(missing_ok=True)


def _put_in_place(written: Path, out_path: Path, *, overwrite: bool) -> None:
    if overwrite:
        written.replace(out_path)
        return
    try:
        # A link fails when somebody has made the file meanwhile; a rename would not.
        out_path.hardlink_to(written)
    except FileExistsError:
        raise
    except OSError:  # a file system without links
        written.replace(out_path)
