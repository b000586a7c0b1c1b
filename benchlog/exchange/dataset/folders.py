"""What a dataset lies in: a folder of this computer, or a place in an object store.

    folder = folder_at("s3://bucket/prefix?endpoint_override=127.0.0.1:9000&scheme=http")
    with folder.only_writer(source):
        with folder.written("readings/....parquet") as sink: ...  # data first
        folder.put("runs/....parquet", data)  # then what tells of it

Names are paths below the folder with `/`. An object store has no rename: what is
written there bit by bit may be found half done when its writer was killed. So whatever
is `written` has a name that was never used before, and counts only once a file that is
`put`, whole or not at all, tells of it.
"""

from abc import ABC, abstractmethod
from contextlib import AbstractContextManager
from typing import Any, Final

EVERYBODY: Final = "all"
"""The scope of a writer who changes what belongs to several databases."""


class Folder(ABC):
    """The files of a dataset, wherever they lie.

    Everything raises BenchlogError where the store does not answer, lets nobody in or
    takes no more: what happened and what to do about it.
    """

    shown: str
    """Its address for people, without its options."""

    @abstractmethod
    def where(self, name: str) -> str:
        """Return where a file is, for people."""

    @abstractmethod
    def names(self, under: str = "") -> list[str]:
        """Return the names of all files below a folder of it, in order."""

    @abstractmethod
    def has(self, name: str) -> bool:
        """Whether there is a file of that name."""

    @abstractmethod
    def read(self, name: str, most: int) -> bytes | None:
        """Return a whole file; None where it has more than `most` octets.

        Raises FileNotFoundError.
        """

    @abstractmethod
    def opened(self, name: str) -> AbstractContextManager[Any]:
        """Open a file for pyarrow to read here and there. Raises FileNotFoundError."""

    @abstractmethod
    def put(self, name: str, data: bytes) -> None:
        """Write a file, whole or not at all; it takes the place of one before."""

    @abstractmethod
    def written(self, name: str) -> AbstractContextManager[Any]:
        """Give pyarrow a sink for a file of a name that was never used before.

        It is whole when the block ends, and removed when that raises. A killed writer
        may leave it half done.
        """

    @abstractmethod
    def remove(self, name: str) -> None:
        """Remove a file, if it is there, and folders of partitions that are empty."""

    @abstractmethod
    def only_writer(self, scope: str = EVERYBODY) -> AbstractContextManager[None]:
        """Hold the dataset against others who write the same; readers never wait.

        `scope` is the database whose files are written. Raises BenchlogError when the
        other one does not end within a minute.
        """


def is_hidden(name: str) -> bool:
    """Whether a file is none of the dataset's: a lock, a mark, a part of a file."""
    return any(one.startswith(".") for one in name.split("/"))
