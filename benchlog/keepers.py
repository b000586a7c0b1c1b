"""Who keeps which runs: keepers asked all together, and what dead ones left behind.

Names of sockets come from a database that may be a stranger's: only a bare name in the
database's own folder is ever connected to, and only a socket of ours is removed.
"""

import contextlib
import os
import re
import selectors
import socket
import stat
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Final

from benchlog.clock import host_deadline, host_moment
from benchlog.control import (
    LONGEST_ANSWER,
    Request,
    address_of,
    decode_answer,
    encode,
    file_of,
    is_gone,
)
from benchlog.errors import BenchlogError
from benchlog.model import Run
from benchlog.units import NS_PER_S

TOGETHER_S: Final = 1.0
"""Real seconds that keepers have for their answers, all of them together; our rule: a
person waits so long for a list."""
_MOST: Final = 128  # our rule: far more keepers than a computer has instruments for
_BARE: Final = r"[^/\0]+\.sock"
_NUMBER: Final = r"[0-9]{1,19}"  # definition: digits of a row's number
_NAME: Final = r"[^/\0]+\.(\d{1,10})\.sock(\.new)?"

Kept = frozenset[int] | None
"""The runs that a keeper has, none where nobody listens; None: it does not answer."""


def socket_of(run: Run, database: Path) -> Path | None:
    """Return where the keeper of a run listens; None where its row names no socket."""
    if not re.fullmatch(_BARE, run.control):
        return None
    return Path(os.path.realpath(database)).parent / run.control


class KnownKeepers:
    """What the keepers of one database said; each is asked once.

    However many are asked, and however often, `within_s` real seconds are spent in all.
    """

    def __init__(self, database: Path, within_s: float = TOGETHER_S) -> None:
        self._database, self._left_s = database, within_s
        self._file = file_of(database)
        self._kept: dict[Path, Kept] = {}

    def states(self, runs: Iterable[Run]) -> dict[int, str]:
        """Return by id how runs stand: `ended`, `running`, or `broken off`.

        Broken off is what has not ended and whose keeper is gone; a keeper that does
        not answer has its runs.
        """
        runs = tuple(runs)
        paths = {run.id: socket_of(run, self._database) for run in runs if run.open}
        self._ask({path for path in paths.values() if path is not None})
        return {run.id: self._state(run, paths.get(run.id)) for run in runs}

    def _state(self, run: Run, path: Path | None) -> str:
        if not run.open:
            return "ended"
        kept = frozenset[int]() if path is None else self._kept[path]
        return "running" if kept is None or run.id in kept else "broken off"

    def _ask(self, paths: set[Path]) -> None:
        began_ns = host_moment().awake_ns
        untold = sorted(paths - self._kept.keys())
        self._kept |= kept_at(untold, self._file, self._left_s)
        took_s = (host_moment().awake_ns - began_ns) / NS_PER_S
        self._left_s = max(0.0, self._left_s - took_s)


def state_of(run: Run, database: Path) -> str:
    """Return `ended`, `running`, or `broken off`: not ended, and its keeper is gone."""
    return KnownKeepers(database).states([run])[run.id]


def kept_at(
    paths: Iterable[Path], file: str, within_s: float = TOGETHER_S
) -> dict[Path, Kept]:
    """Ask the keepers that listen at `paths`, all at once, which runs they have.

    `file` is the database that they are asked for (`control.file_of`): the keeper of
    another one has none of its runs.
    """
    paths = tuple(dict.fromkeys(paths))
    known: dict[Path, Kept] = dict.fromkeys(paths)
    if not hasattr(socket, "AF_UNIX"):  # keepers run on POSIX systems only
        return dict.fromkeys(paths, frozenset())
    limit = host_deadline(within_s)
    with contextlib.ExitStack() as stack:
        selector = stack.enter_context(selectors.DefaultSelector())
        for path in paths[:_MOST]:
            link = stack.enter_context(socket.socket(socket.AF_UNIX))
            if (kept := _called(link, path, file)) is not None:
                known[path] = kept
            else:
                selector.register(link, selectors.EVENT_READ, (path, bytearray()))
        # those who have answered are read although time is up
        while selector.get_map() and (ready := selector.select(limit.left_s())):
            for key, _ in ready:
                path, said = key.data
                if _is_whole_answer(key.fileobj, said):  # type: ignore[arg-type]
                    known[path] = _runs_in(bytes(said))
                    selector.unregister(key.fileobj)
    return known


def _called(link: socket.socket, path: Path, file: str) -> Kept:
    """Ask without waiting: the empty set where nobody listens, else None."""
    link.setblocking(False)
    try:
        with address_of(path) as address:
            link.connect(address)
        link.send(encode(Request("status", database=file)))
    except OSError as error:
        if isinstance(error, ConnectionRefusedError):
            remove_dead(path)
        alien = isinstance(error, PermissionError) and not _is_alive(path)
        return frozenset() if is_gone(error) or alien else None
    return None


def _is_whole_answer(link: socket.socket, said: bytearray) -> bool:
    """Read on; whether this was all that will come."""
    try:
        part = link.recv(65_536)
    except BlockingIOError:
        return False
    except OSError:
        return True
    said += part
    return not part or part.endswith(b"\n") or len(said) > LONGEST_ANSWER


def _runs_in(line: bytes) -> Kept:
    """Return the runs of an answer; None where it is none: somebody is there."""
    try:
        runs = decode_answer(line).data.get("runs", {})
    except BenchlogError:
        return None
    if not isinstance(runs, Mapping):
        return None
    return frozenset(number for one in runs if (number := run_number(one)) is not None)


def run_number(said: str) -> int | None:
    """Return the number of a run that a keeper names; None where it can be none."""
    return int(said) if re.fullmatch(_NUMBER, said) else None


# --- what dead keepers left


def remove_left_beside(database: Path) -> list[Path]:
    """Remove the sockets that dead keepers of a database left; return which."""
    with contextlib.suppress(OSError):
        beside = list(database.parent.iterdir())
        begin = f"{database.name}."
        mine = [one for one in beside if one.name.startswith(begin)]
        return [one for one in mine if remove_dead(one)]
    return []


def remove_dead(path: Path) -> bool:
    """Remove a socket of ours at which nobody listens; whether it was one.

    A keeper's socket has its name from the moment it listens (`control.listen`), so one
    that refuses will never be listened at again. What has no name yet may be listened
    at in a moment, while its process is alive.
    """
    found = re.fullmatch(_NAME, path.name)
    if found is None or (found[2] and _is_alive(path)):
        return False
    try:
        before = path.lstat()
        if not stat.S_ISSOCK(before.st_mode) or before.st_uid != os.geteuid():
            return False
        if not _refuses(path) or not os.path.samestat(before, path.lstat()):
            return False
        path.unlink()
    except OSError:
        return False
    return True


def _refuses(path: Path) -> bool:
    with socket.socket(socket.AF_UNIX) as link, address_of(path) as address:
        link.setblocking(False)
        try:
            link.connect(address)
        except ConnectionRefusedError:
            return True
        except OSError:
            return False
    return False


def _is_alive(path: Path) -> bool:
    """Whether the process in a socket's name is there, perhaps as somebody else's."""
    found = re.fullmatch(_NAME, path.name)
    try:
        os.kill(int(found[1]) if found else 0, 0)
    except (ProcessLookupError, OverflowError):
        return False
    except OSError:
        return True
    return True
