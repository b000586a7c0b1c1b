"""Addresses of datasets: a path here, or what pyarrow takes as one of a file system.

An address is typed on a command line, which others see, and is told in messages: one
with a secret in it is refused.
"""

import re
from pathlib import Path
from typing import Final
from urllib.parse import unquote, urlsplit

from benchlog.errors import UsageError
from benchlog.exchange.dataset.folders import Folder
from benchlog.exchange.dataset.local_folder import LocalFolder
from benchlog.exchange.dataset.remote_folder import RemoteFolder

_KNOWN: Final = ("s3", "gs", "gcs", "abfs", "abfss", "hdfs", "viewfs", "file")
"""Schemes that pyarrow.fs.FileSystem.from_uri takes."""
_ADDRESS: Final = re.compile(
    rf"[a-z][a-z0-9+.-]+:/|(?:{'|'.join(_KNOWN)}):", re.IGNORECASE
)
_SECRET: Final = re.compile(
    r"key|secret|token|passw|credential|signature|\bsig\b|sas", re.IGNORECASE
)
_CONTAINERS: Final = ("abfs", "abfss")
"""Where what comes before the @ is the name of a container, and no secret."""


def folder_at(address: str | Path | Folder) -> Folder:
    """Return the folder at a path, or at an address as pyarrow knows it.

    Nothing is made or asked there yet. Raises UsageError for an address that cannot be
    used or has a secret in it, MissingExtraError where pyarrow is missing.
    """
    if isinstance(address, Folder):
        return address
    if isinstance(address, Path) or not is_address(address):
        return LocalFolder(Path(address))
    check_address(address)
    if address.lower().startswith("file:"):
        return LocalFolder(Path(unquote(urlsplit(address).path)))
    return RemoteFolder(address)


def is_address(text: str) -> bool:
    """Whether a text is meant as an address, and never as a folder of this computer."""
    return _ADDRESS.match(text) is not None


def is_known(address: str) -> bool:
    """Whether an address is of a kind that holds datasets."""
    return _scheme(address) in _KNOWN


def _scheme(address: str) -> str:
    return address.partition(":")[0].lower()


def check_address(address: str) -> None:
    """Refuse an address that nobody can use, or that gives a secret away.

    The message holds nothing of it that could be one. Raises UsageError.
    """
    scheme = _scheme(address)
    if scheme not in _KNOWN:
        raise UsageError(
            f"an address of {scheme}: is none that holds datasets; write one that "
            f"begins with {', '.join(f'{one}://' for one in _KNOWN)}, or a folder"
        )
    try:
        parts = urlsplit(address)
        user, at, _ = parts.netloc.rpartition("@")
        names = [one.partition("=")[0] for one in parts.query.split("&") if one]
    except ValueError:
        parts, user, at, names = None, "", "", []
    is_odd = any(one.isspace() or not one.isprintable() for one in address)
    if parts is None or is_odd or not address[len(scheme) :].startswith("://"):
        raise UsageError(
            f"the address cannot be read; write {scheme}://bucket/folder, and a space "
            "as %20"
        )
    is_user = bool(at) and not (scheme in _CONTAINERS and ":" not in user)
    told = [unquote(name) for name in names if _SECRET.search(unquote(name))]
    if is_user or told or "@" in unquote(parts.query):
        raise UsageError(
            "the address has a secret in it, or what looks like one"
            f"{' (' + ', '.join(told) + ')' if told else ''}: credentials come from "
            "the environment (AWS_ACCESS_KEY_ID, AWS_SECRET_ACCESS_KEY) or from the "
            "files of the store's own tools, such as ~/.aws/credentials"
        )
