"""A dataset in a folder of this computer, or of a disk that several share."""

import os
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any, BinaryIO, Final

from benchlog.errors import BenchlogError
from benchlog.exchange.dataset.folders import EVERYBODY, Folder, is_hidden
from benchlog.exchange.dataset.own_folder import (
    LOCK,
    TABLES,
    refuse_others,
    refuse_strange,
)
from benchlog.store.whole_files import finished, remove_parts_under

_LOCK_WAIT_S: Final = 60.0


class LocalFolder(Folder):
    """Files: each appears whole, by a rename, and a lock keeps writers apart."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self.shown = str(path)

    def where(self, name: str) -> str:
        """See `Folder.where`."""
        return str(self._path / name)

    def names(self, under: str = "") -> list[str]:
        """See `Folder.names`; what begins with a dot is not among them."""
        found = (path for path in (self._path / under).rglob("*") if path.is_file())
        names = (path.relative_to(self._path).as_posix() for path in found)
        return sorted(name for name in names if not is_hidden(name))

    def has(self, name: str) -> bool:
        """See `Folder.has`."""
        return (self._path / name).is_file()

    def read(self, name: str, most: int) -> bytes | None:
        """See `Folder.read`."""
        with (self._path / name).open("rb") as file:
            size = os.fstat(file.fileno()).st_size
            return None if size > most else file.read(size)

    @contextmanager
    def opened(self, name: str) -> Iterator[BinaryIO]:
        """See `Folder.opened`."""
        with (self._path / name).open("rb") as file:
            yield file

    def put(self, name: str, data: bytes) -> None:
        """See `Folder.put`."""
        with finished(self._ready(name), overwrite=True) as part:
            part.write_bytes(data)

    @contextmanager
    def written(self, name: str) -> Iterator[Any]:
        """See `Folder.written`; a killed writer leaves none of that name."""
        with (
            finished(self._ready(name), overwrite=True) as part,
            part.open("wb") as sink,
        ):
            yield sink

    def remove(self, name: str) -> None:
        """See `Folder.remove`."""
        path = self._path / name
        path.unlink(missing_ok=True)
        with suppress(OSError):
            for parent in path.parents:
                if "=" not in parent.name:
                    break
                parent.rmdir()

    @contextmanager
    def only_writer(self, scope: str = EVERYBODY) -> Iterator[None]:  # noqa: ARG002
        """See `Folder.only_writer`; here one at a time writes, whatever the scope."""
        import filelock  # noqa: PLC0415 - seldom needed

        refuse_others(self._path)
        self._path.mkdir(parents=True, exist_ok=True)
        refuse_strange(self._path)
        lock = filelock.FileLock(self._path / LOCK, timeout=_LOCK_WAIT_S)
        try:
            lock.acquire()
        except TimeoutError:
            raise BenchlogError(
                f"another export is writing to {self._path}; try again when it is done"
            ) from None
        try:
            for table in TABLES:
                remove_parts_under(self._path / table, ".parquet")
            yield
        finally:
            lock.release()

    def _ready(self, name: str) -> Path:
        path = self._path / name
        path.parent.mkdir(parents=True, exist_ok=True)
        return path
