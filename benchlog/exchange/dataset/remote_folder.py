"""A dataset in an object store, or on any other file system that pyarrow knows."""

import re
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from typing import Any, Final

from benchlog.errors import BenchlogError, UsageError
from benchlog.exchange.arrow import arrow
from benchlog.exchange.dataset.folders import EVERYBODY, Folder, is_hidden
from benchlog.exchange.dataset.remote_mark import held
from benchlog.exchange.memory_bound import ended_beyond
from benchlog.masking import MASK, masked
from benchlog.units import printable

_AT_ONCE: Final = "allow_delayed_open=true"
"""A small object is sent as one: nothing is begun at the store before."""
_CONNECT_S: Final = 5.0  # our rule: a store in the house takes one within 1 s
_REQUEST_S: Final = 10.0
"""A request without a byte for so long is given up, and tried again; our rule."""
_TRIES: Final = 3
"""Our rule: what pyarrow does by itself took two minutes to give a silent store up."""
_MOST_LISTED: Final = 2**31
"""Octets for a list of what is in a store; our rule: some millions of names."""
_NO_BUCKET: Final = ("NO_SUCH_BUCKET", "NoSuchBucket")
_REFUSED: Final = (
    "ACCESS_DENIED", "INVALID_ACCESS_KEY_ID", "SIGNATURE_DOES_NOT_MATCH",
    "INVALID_CLIENT_TOKEN_ID", "EXPIRED_TOKEN", "InvalidAccessKeyId",
    "UNRECOGNIZED_CLIENT", "MISSING_AUTHENTICATION", "HTTP response code: 401",
    "HTTP response code: 403", "HTTP status 403",
)  # fmt: skip
_SILENT: Final = ("NETWORK_CONNECTION", "REQUEST_TIMEOUT", "curlCode")
_MOST_SAID: Final = 300  # our rule: a line or three, of whatever a store answers
_ECHOED: Final = re.compile(r"(?i)(security-token|authorization)\W.*")
_BEFORE: Final = (0xA5, 0x5A)
"""What room for an answer is filled with first; our rule: two that share no bit."""
_IDS: Final = re.compile(r" *\(Request ID: [^)]*\)")


class RemoteFolder(Folder):
    """Objects below a prefix: each appears once it is sent whole; none is renamed."""

    def __init__(self, address: str) -> None:
        pa, fs = arrow(), arrow("pyarrow.fs")
        self.shown = address.partition("?")[0].rstrip("/")
        self._is_silent = False
        self._bucket = self.shown.partition("//")[2].partition("/")[0]
        try:
            with self._told():  # a store without an endpoint is asked for its region
                files, base = fs.FileSystem.from_uri(_sent_at_once(address))
                self._files = _impatient(fs, files)
        except (pa.ArrowException, ValueError) as error:
            raise UsageError(
                f"{self.shown} cannot be used: {_first_line(error)}"
            ) from None
        self._base = base.strip("/")
        self._bucket = self._base.partition("/")[0]
        if not self._bucket:
            raise UsageError(f"{self.shown} names no bucket: write one behind the //")
        self._mark: str | None = None
        self._left: set[str] = set()

    def where(self, name: str) -> str:
        """See `Folder.where`."""
        return f"{printable(name)} of {self.shown}"

    def names(self, under: str = "") -> list[str]:
        """See `Folder.names`; objects that begin with a dot are not among them."""
        return sorted(
            name for name in self.changed_utc_ns(under) if not is_hidden(name)
        )

    def changed_utc_ns(self, under: str = "") -> dict[str, int]:
        """Return all files below a folder, and when the store got each."""
        fs = arrow("pyarrow.fs")
        path = self._path(under)
        with self._told():
            wanted = fs.FileSelector(path, recursive=True, allow_not_found=True)
            with ended_beyond(_MOST_LISTED, f"{self.shown} lists without an end"):
                found = self._files.get_file_info(wanted)
            if not found:
                self._check_bucket(fs)
        base = f"{self._base}/"
        return {
            one.path.removeprefix(base): one.mtime_ns or 0
            for one in found
            if one.type == fs.FileType.File and one.path.startswith(base)
        }

    def _check_bucket(self, fs: Any) -> None:
        """A store lists nothing for a bucket that is not there."""
        info = self._files.get_file_info(self._bucket)
        if info.type == fs.FileType.NotFound:
            raise self._no_bucket()

    def has(self, name: str) -> bool:
        """See `Folder.has`."""
        fs = arrow("pyarrow.fs")
        with self._told():
            info = self._files.get_file_info(self._path(name))
        return bool(info.type == fs.FileType.File)

    def read(self, name: str, most: int) -> bytes | None:
        """See `Folder.read`."""
        with self._told(), self._files.open_input_file(self._path(name)) as file:
            size = int(file.size())
            return None if size > most else _all_of(file, size)

    @contextmanager
    def opened(self, name: str) -> Iterator[Any]:
        """See `Folder.opened`."""
        with self._told():
            file = self._files.open_input_file(self._path(name))
        with file:
            yield arrow().PythonFile(_Remote(self, file), mode="r")

    def put(self, name: str, data: bytes) -> None:
        """See `Folder.put`. Raises BenchlogError when another took the place."""
        self._check_held()
        self.send(name, data)

    def send(self, name: str, data: bytes) -> None:
        """Send an object, whoever holds the dataset."""
        with self._told(), self._files.open_output_stream(self._path(name)) as sink:
            sink.write(data)

    @contextmanager
    def written(self, name: str) -> Iterator[Any]:
        """See `Folder.written`."""
        with self._told():
            sink = self._files.open_output_stream(self._path(name))
        try:
            with self._told(), sink:
                yield sink
        except BaseException:
            # pyarrow completes an object when its block is left, whatever the reason
            self.forget(name)
            raise

    def remove(self, name: str) -> None:
        """See `Folder.remove`; a store has no folders."""
        with suppress(FileNotFoundError), self._told():
            self._files.delete_file(self._path(name))

    def forget(self, name: str) -> None:
        """Remove an object if the store answers; somebody removes it later if not."""
        self._left.add(name)
        if not self._is_silent:
            self._clear()

    def _clear(self) -> None:
        """Remove what is left of this folder's own deeds."""
        with suppress(BenchlogError):
            for name in sorted(self._left):
                self.remove(name)
                self._left.discard(name)

    @contextmanager
    def only_writer(self, scope: str = EVERYBODY) -> Iterator[None]:
        """See `Folder.only_writer`; different scopes are written side by side."""
        self._clear()
        with held(self, scope) as mark:
            self._mark = mark
            try:
                yield
            finally:
                self._mark = None

    def _check_held(self) -> None:
        if self._mark is not None and not self.has(self._mark):
            raise BenchlogError(
                f"the export to {self.shown} was held up for so long that another took "
                "its place; run it again"
            )

    def _path(self, name: str) -> str:
        return f"{self._base}/{name}".rstrip("/")

    def _no_bucket(self) -> BenchlogError:
        return BenchlogError(
            f"{self.shown}: there is no bucket {printable(self._bucket)}; make it with "
            "your store's tools, or look at the address"
        )

    @contextmanager
    def _told(self) -> Iterator[None]:
        """Tell what a store answers in a sentence. FileNotFoundError stays one."""
        try:
            yield
            self._is_silent = False
        except FileNotFoundError:
            raise
        except OSError as error:
            raise self.failed(error) from error

    def failed(self, error: Exception) -> BenchlogError:
        """Return what a store answered as an error for people."""
        text = str(error)
        if any(one in text for one in _NO_BUCKET):
            return self._no_bucket()
        if any(one in text for one in _REFUSED):
            return BenchlogError(
                f"{self.shown} refuses these credentials; they come from the "
                "environment (AWS_ACCESS_KEY_ID, AWS_SECRET_ACCESS_KEY) or from "
                "~/.aws/credentials"
            )
        if any(one in text for one in _SILENT):
            self._is_silent = True
            return BenchlogError(
                f"{self.shown} does not answer; look at network, server and address, "
                "and run it again: what was written so far does no harm"
            )
        return BenchlogError(
            f"{self.shown} takes or gives no data: {_first_line(error)}; run it again: "
            "what was written so far does no harm"
        )


class _Remote:
    """A file of a store for pyarrow; what the store answers is not taken for damage."""

    def __init__(self, folder: RemoteFolder, file: Any) -> None:
        self._folder, self._file = folder, file

    @property
    def closed(self) -> bool:
        return bool(self._file.closed)

    def read(self, size: int = -1) -> bytes:
        try:
            left = int(self._file.size()) - int(self._file.tell())
            return _all_of(self._file, left if size < 0 else min(size, left))
        except OSError as error:
            raise self._folder.failed(error) from error

    def seek(self, to: int, whence: int = 0) -> int:
        return int(self._file.seek(to, whence))

    def tell(self) -> int:
        return int(self._file.tell())

    def close(self) -> None:
        self._file.close()

    def size(self) -> int:
        return int(self._file.size())


def _all_of(file: Any, size: int) -> bytes:
    """Read so many octets. Raises OSError where a store gave fewer than it had told.

    pyarrow does not notice: the rest is then what was in memory there before. So the
    room is filled first; what is in its last place still has come by chance, or not at
    all, and a second answer, over another filling, tells.
    """
    begin = file.tell()
    for filling in _BEFORE:
        file.seek(begin)
        room = bytearray([filling]) * size
        if file.readinto(room) == size and (not size or room[-1] != filling):
            return bytes(room)
    raise OSError("fewer octets came than it had told")


def _sent_at_once(address: str) -> str:
    is_s3 = address.lower().startswith("s3:")
    if not is_s3 or "allow_delayed_open=" in address:
        return address
    return f"{address}{'&' if '?' in address else '?'}{_AT_ONCE}"


def _impatient(fs: Any, files: Any) -> Any:
    """Return a file system with limits to how long a request to a store may take.

    An address has no place for them. What pyarrow pickles of a store is what it is
    made of.
    """
    if files.type_name != "s3":
        return files
    make, (told,) = files.__reduce__()
    limits = {
        "connect_timeout": _CONNECT_S,
        "request_timeout": _REQUEST_S,
        "retry_strategy": fs.AwsStandardS3RetryStrategy(max_attempts=_TRIES),
    }
    return make({**told, **limits})


def _first_line(error: Exception) -> str:
    first = (str(error).splitlines() or [repr(error)])[0]
    if first.startswith("Cannot parse"):  # what follows is the whole address
        return "it cannot be read"
    said = _ECHOED.sub(rf"\1 {MASK}", masked(_IDS.sub("", first)))
    return printable(said[:_MOST_SAID]).rstrip(".")
