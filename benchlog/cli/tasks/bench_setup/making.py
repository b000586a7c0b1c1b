"""Where a new bench file goes, whether it holds, and writing it."""

import errno
import os
import tomllib
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Final

import platformdirs

from benchlog.catalogue import bench_from_mapping
from benchlog.catalogue.defaults import read_defaults
from benchlog.errors import BenchlogError, UsageError
from benchlog.store.whole_files import finished

if TYPE_CHECKING:
    from benchlog.model import Bench

_FORBIDDEN: Final = "/\\:*?\"<>|'`$"
_LONGEST: Final = 60


def name_fault(name: str) -> str:
    """Return why a name cannot be a bench's, empty when it can."""
    if not name.strip() or name != name.strip() or name.startswith((".", "-")):
        return "a name begins and ends with a letter or a digit"
    if len(name) > _LONGEST or not name.isprintable():
        return f"a name has at most {_LONGEST} characters, all of them visible"
    if any(ch in _FORBIDDEN or ch.isspace() for ch in name) or name.endswith(".toml"):
        return "a name is the file's, without folder, spaces and .toml"
    return ""


def folder_here() -> Path:
    """Return the folder of benches below the current one."""
    return Path("configs") / "benches"


def folder_of_user() -> Path:
    """Return the folder of benches in the user's configuration folder."""
    user = platformdirs.user_config_path("benchlog", appauthor=False)
    return user / "benches"


def suggested_folder() -> str:
    """Return `here` where the current folder has configs already, else `user`."""
    return "here" if Path("configs").is_dir() else "user"


def checked(text: str, path: Path) -> "Bench":
    """Return the bench that a text describes, as the catalogue reads it.

    Raises ConfigError with every problem, as of the file at `path`.
    """
    return bench_from_mapping(tomllib.loads(text), path)


def write(path: Path, text: str, *, overwrite: bool) -> None:
    """Write a bench file; its folder is made. Raises UsageError, BenchlogError.

    A file that is there is replaced only when that was agreed to; what a link leads to
    stays as it is.
    """
    if not overwrite and os.path.lexists(path):
        raise refuse_taken(path)
    try:
        _make_folder(path.parent)
        with finished(path, overwrite=overwrite) as part:
            part.write_text(text, encoding="utf-8")
    except OSError as error:
        raise BenchlogError(
            f"{path} cannot be written ({error.strerror or error}); name another place "
            "with --folder here, --folder user or --out"
        ) from error


def _make_folder(folder: Path) -> None:
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except FileExistsError as error:
        raise NotADirectoryError(errno.ENOTDIR, "a file is in the way") from error


def refuse_taken(path: Path) -> UsageError:
    """Return the error for a file that is there and may not be replaced."""
    return UsageError(
        f"{path} is there already; --overwrite replaces it, or give another name"
    )


def next_commands(name: str, path: Path, failed: Sequence[str], *, tried: bool) -> str:
    """Return the command to type next, as a line."""
    bench = name if _is_found(path) else str(path)
    if failed or not tried:
        return f"next: benchlog check-bench {bench}"
    part = read_defaults().part
    if part is not None:
        return f"next: benchlog measure --bench {bench} --part {part} --device ID"
    return (
        f"next: benchlog measure --bench {bench} --device ID --nominal 16MHz "
        "--tolerance 30ppm (with your device's figures; or --part PART)"
    )


def _is_found(path: Path) -> bool:
    """Whether a bench in this folder is found by its name."""
    return path.parent in (folder_here(), folder_of_user())
