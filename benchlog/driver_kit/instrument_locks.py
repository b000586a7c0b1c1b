"""Who holds an instrument: lock files by address and by who answers there.

A keeper holds them (`recorder/bench_lock.py`). A driver looks before it sets an
instrument up: an address of another kind, or a relay, may lead to one that is in use.
"""

import hashlib
import json
import os
from contextlib import suppress
from pathlib import Path
from typing import Final

import platformdirs

from benchlog.clock import host_deadline, host_sleep
from benchlog.driver_kit.simulated_endpoints import simulated_bench_at
from benchlog.errors import InUseError
from benchlog.masking import masked
from benchlog.model import Identity
from benchlog.units import printable

_MOST_TOLD: Final = 4096  # our rule: ours are far shorter
_WRITTEN_S: Final = 0.5
"""Our rule: who has just got a lock has told so by then, also on a busy computer."""
_LOOK_S: Final = 0.02  # our rule: nobody feels it
BY_WHO: Final = "by_who"
"""What the lock file of an instrument says, beside one of an address."""


def lock_path(name: str) -> Path:
    """Return the lock file of an address or instrument, in a folder that is made."""
    # Not the runtime folder: a service and a terminal of one user have different ones.
    folder = Path(platformdirs.user_state_dir("benchlog")) / "locks"
    folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    return folder / f"{hashlib.sha256(name.encode()).hexdigest()[:24]}.lock"


def instrument_name(identity: Identity, address: str) -> str:
    """Return what only this instrument is called, or nothing when it has no such name.

    A serial number that is empty, all zeros, or only the address is none. Simulated
    instruments of two benches may give one serial number, so their bench counts too.
    """
    if not identity.serial.strip("0 -") or identity.serial == masked(address):
        return ""
    bench = simulated_bench_at(address)
    if identity.simulated and not bench:
        return ""
    return f"instrument {json.dumps((*identity.who, bench))}"


def busy_words(what: str, address: str, told: bytes) -> str:
    """Return who has `what`, by what stands in its lock file, and what to do."""
    advice = "look on with 'benchlog watch', or stop that run first"
    try:
        said = json.loads(told)
        holder = f"{printable(str(said['holder']))} (process {said['pid']})"
        there = str(said["address"])
        if not _lives(told):
            advice = (
                "it was ended, and what it had begun, such as a burn, goes on: wait"
            )
    except (ValueError, KeyError, TypeError):
        holder, there = "another process", address
    under = "" if there == address else f", under {printable(there)}"
    return f"{printable(what)} is in use by {holder}{under}; {advice}"


def may_be_in_use(address: str) -> bool:
    """Whether who answers at an address may be one that another program's run uses.

    So it is while any such run holds an instrument, unless this process or its parent
    holds the one at this address by who it is. What cuts a reading that is under way is
    not to be sent then before it is known who answers.
    """
    others = False
    for path in _written_files():
        told = _told_in(path)
        if not told.get(BY_WHO):
            continue
        if told.get("pid") in _us() and told.get("address") == address:
            return False
        others = others or bool(_held_by_others(path))
    return others


def refuse_in_use(identity: Identity, address: str) -> None:
    """Refuse an instrument that another program's run uses, under whatever address.

    Nothing may be set on it: that run goes on with the settings that it stated. What
    this process or its parent holds is its own, also what a setter has of a keeper that
    is gone. Raises InUseError.
    """
    name = instrument_name(identity, address)
    told = b""
    with suppress(OSError):  # where no lock can be made, no keeper has made one
        told = _held_by_others(lock_path(name)) if name else b""
    if told:
        what = f"{identity.text} (at {address})"
        raise InUseError(busy_words(what, address, told), address=address)


def _held_by_others(path: Path) -> bytes:
    """Return what another program told in a lock file that it holds; else nothing."""
    try:
        import fcntl  # noqa: PLC0415 - POSIX only

        with path.open("rb", buffering=0) as file:
            told = file.read(_MOST_TOLD)
            if not told or _is_ours(told) or _is_open_here(file.fileno()):
                return b""
            try:
                fcntl.flock(file, fcntl.LOCK_SH | fcntl.LOCK_NB)
            except BlockingIOError:
                # what was read may be of one that was killed before
                patience = host_deadline(_WRITTEN_S)
                while not (_is_ours(told) or _lives(told) or patience.passed):
                    host_sleep(_LOOK_S)
                    file.seek(0)
                    told = file.read(_MOST_TOLD)
                return b"" if _is_ours(told) else told
    except (OSError, ImportError):
        pass
    return b""


def _us() -> tuple[int, int]:
    return os.getpid(), os.getppid()


def _is_ours(told: bytes) -> bool:
    try:
        pid = json.loads(told)["pid"]
    except (ValueError, KeyError, TypeError):
        return False
    return pid in _us()


def _written_files() -> list[Path]:
    """Return the lock files that tell something; whoever lets go leaves an empty one.

    Files stay for ever, one for each address, so there may be thousands: opening each
    took a driver 60 ms where 4,000 had gathered.
    """
    found = []
    with suppress(OSError), os.scandir(lock_path("").parent) as files:
        for file in files:
            with suppress(OSError):  # as in `refuse_in_use`, and for each file alone
                if file.name.endswith(".lock") and file.stat().st_size:
                    found.append(Path(file.path))
    return found


def _told_in(path: Path) -> dict[str, object]:
    """Return what stands in a lock file, nothing where it cannot be read."""
    with suppress(OSError, ValueError), path.open("rb") as file:
        told = json.loads(file.read(_MOST_TOLD))
        if isinstance(told, dict):
            return told
    return {}


def _is_open_here(number: int) -> bool:
    """Whether this process has the file of a descriptor open by another one, too.

    Nobody has a lock file open for long but who holds it: then a keeper handed it on.
    """
    file = os.fstat(number)
    for one in Path("/dev/fd").iterdir():
        with suppress(OSError, ValueError):
            other = int(one.name)
            if other != number and os.path.samestat(os.fstat(other), file):
                return True
    return False


def _lives(told: bytes) -> bool:
    """Whether the process that told so is there, perhaps as somebody else's."""
    try:
        os.kill(json.loads(told)["pid"], 0)
    except PermissionError:
        return True
    except (OSError, ValueError, KeyError, TypeError, OverflowError):
        return False
    return True
