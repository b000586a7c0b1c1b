"""Which addresses lead to something simulated, whatever it answers.

An instrument that only talks cannot be asked who it is. A simulated bench therefore
announces its addresses in a file that it holds locked while it lasts; a file that
nobody holds is left over and is removed. A simulated VISA library is known by its name.
"""

import json
import os
import uuid
from collections.abc import Iterable, Mapping
from contextlib import suppress
from pathlib import Path
from typing import Final

import platformdirs

from benchlog.driver_kit.endpoint import endpoint

_SIMULATED_LIBRARY: Final = "sim"


class Announcement:
    """Tells everybody of this user that addresses are simulated, until it is closed.

    A folder that cannot be written is no reason to stop: then nobody is told.
    """

    def __init__(self, addresses: Iterable[str]) -> None:
        self._file = -1
        self._path = _folder() / f"{uuid.uuid4()}.json"
        told = json.dumps(sorted({endpoint(address) for address in addresses}))
        with suppress(OSError, ImportError):
            self._path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
            self._announce(told.encode())

    def _announce(self, told: bytes) -> None:
        import fcntl  # noqa: PLC0415 - POSIX only

        fresh = self._path.with_suffix(".new")  # appears under its name when locked
        flags = os.O_RDWR | os.O_CREAT | os.O_CLOEXEC
        self._file = os.open(fresh, flags, 0o600)
        fcntl.flock(self._file, fcntl.LOCK_EX)
        os.write(self._file, told)
        fresh.rename(self._path)

    def close(self) -> None:
        """Take it back. May be called twice."""
        if self._file >= 0:
            with suppress(OSError):
                self._path.unlink(missing_ok=True)
            os.close(self._file)
            self._file = -1


def simulated_bench_at(address: str) -> str:
    """Return a name of the simulated bench that serves an address now, or nothing."""
    if not address:
        return ""
    files = sorted(_folder().glob("*.json"))
    wanted = endpoint(address) if files else ""
    return next((one.stem for one in files if wanted in _told_in(one)), "")


def is_simulated(address: str, options: Mapping[str, object]) -> bool:
    """Whether what is reached so is simulated: by a VISA library, or by our own bench.

    Parameters
    ----------
    address : str
        Where the instrument is.
    options : mapping
        Its driver's options; `visa_library` as PyVISA names it, `FILE.yaml@sim`.

    """
    library = str(options.get("visa_library") or "")
    if library.rpartition("@")[2].strip().lower() == _SIMULATED_LIBRARY:
        return True
    return bool(simulated_bench_at(address))


def _told_in(path: Path) -> frozenset[str]:
    """Return what a file announces, nothing when nobody holds it any more."""
    try:
        import fcntl  # noqa: PLC0415 - POSIX only

        with path.open("rb") as file:
            try:
                fcntl.flock(file, fcntl.LOCK_SH | fcntl.LOCK_NB)
            except BlockingIOError:
                return frozenset(json.loads(file.read(1 << 20)))
            path.unlink(missing_ok=True)
    except (OSError, ImportError, ValueError, TypeError):
        pass
    return frozenset()


def _folder() -> Path:
    return Path(platformdirs.user_state_dir("benchlog")) / "simulated"
