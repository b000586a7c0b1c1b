"""Where configuration files are looked for, and reading one as TOML.

Search order: an explicit path, `./configs`, the user's config folder, what ships with
benchlog. A name is looked up among the files that are there, never glued to a path, so
no name can lead out of these folders. In `./configs` only what is the user's own, or
root's, goes by name: the current folder may be one that anybody writes to.
"""

import os
import re
import tomllib
from collections.abc import Callable, Sequence
from importlib.resources import files
from importlib.resources.abc import Traversable
from pathlib import Path
from typing import Any, Final, TypeVar

import platformdirs

from benchlog.errors import ConfigError, NotFoundError, Problem, UsageError
from benchlog.units import LONGEST_NUMBER

T = TypeVar("T")

KINDS: Final = {
    "parts": "part",
    "benches": "bench",
    "dialects": "dialect",
    "uses": "use",
    "sequences": "sequence",
}
"""Folder of each kind of file, and the word for one of them."""
MAX_BYTES: Final = 65_536
"""A longer file is refused: the longest of ours has a few thousand bytes; our rule."""
SIZE_VARIABLE: Final = "BENCHLOG_TOML_BYTES"
"""Names how long a file may be instead."""
SUFFIX: Final = ".toml"
WHOLE_FILE: Final = "(whole file)"
_MOST_DIGITS: Final = 9  # of a number of bytes
_MAX_DOTS: Final = 200  # a line; the parser's time grows as the square of dotted keys

_HERE: Final = Path("configs")
_FOREIGN: Final = "belongs to another user, so it does not go by its name"

_ID_LINE: Final = r"""[^\[]*?^\s*id\s*=\s*["']([^"'\n]+)"""
_SCHEME = re.compile(r"([A-Za-z][A-Za-z0-9+.-]+)://")
_AT_LINE = re.compile(r"\s*\(at (?:line (\d+), column \d+|end of document)\)$")


def names(kind: str) -> tuple[str, ...]:
    """Return the names of all files of a kind (`parts`, `benches`, ...), sorted."""
    return tuple(sorted(_shelf(kind)))


def find(
    kind: str, name_or_path: str, beside: Traversable | None = None
) -> Traversable:
    """Return the file that a name or a path stands for.

    What has a path separator or ends in `.toml` is a path, relative to the folder of
    `beside` when that is given, else to the current folder. Anything else is a name.
    Raises NotFoundError, with near matches.
    """
    if not is_path(name_or_path):
        shelf = _shelf(kind)
        if name_or_path in shelf:
            return shelf[name_or_path]
        closed = closed_folders(kind)
        if closed:
            raise ConfigError(closed)
        within = _with_id(kind, name_or_path)
        if within is not None:
            return within
        hint = _here(f"{name_or_path}{SUFFIX}") or _misspelt(kind, name_or_path)
        raise NotFoundError(KINDS[kind], name_or_path, () if hint else shelf, hint)
    scheme = _SCHEME.match(name_or_path)
    if scheme:
        raise UsageError(
            f"{name_or_path} is an address ({scheme[1]}:); a {KINDS[kind]} is a name "
            "or the path of a file of this computer: copy it here first"
        )
    folder = beside.parent if isinstance(beside, Path) else Path()
    path = folder / name_or_path
    if _exists(path):
        return path
    raise NotFoundError(f"{KINDS[kind]} file", str(path), _siblings(path))


def usable(
    kind: str, load: Callable[[Traversable], T]
) -> tuple[tuple[T, ...], tuple[Problem, ...]]:
    """Return what all files of a kind load as, and what is wrong with the others.

    They come in the order of their names; the folders are listed once.
    """
    found: list[T] = []
    problems: list[Problem] = list(closed_folders(kind))
    for _, entry in sorted(_shelf(kind).items()):
        try:
            found.append(load(entry))
        except ConfigError as error:
            problems.extend(error.problems)
    return tuple(found), tuple(problems)


def complete(found: T, problems: Sequence[Problem]) -> T:
    """Return what was found. Raises ConfigError when the rest has problems."""
    if problems:
        raise ConfigError(problems)
    return found


def closed_folders(kind: str) -> tuple[Problem, ...]:
    """Return what is there of a kind and goes by no name.

    Folders that cannot be looked into, files of other users below the current folder.
    """
    mine = "a file of yours, in folders of yours; or write its path"
    entries = _toml_files(_HERE / kind)
    found = [
        Problem(str(one), WHOLE_FILE, _FOREIGN, mine)
        for one in entries
        if is_foreign(one)
    ]
    for root in _roots():
        folder = root / kind
        try:
            next(iter(folder.iterdir()), None)
        except (FileNotFoundError, NotADirectoryError):
            continue
        except (OSError, ValueError) as error:
            reason = getattr(error, "strerror", None) or "its name is no path"
            expected = "a folder that you may read"
            whole = f"cannot be looked into: {reason}"
            found.append(Problem(str(folder), "(folder)", whole, expected))
    return tuple(found)


def _misspelt(kind: str, name: str) -> str:
    """Tell of a file whose name would be this but for its letters' case."""
    wanted = f"{name}{SUFFIX}".casefold()
    for root in _roots():
        for entry in _entries(root / kind):
            if entry.name.casefold() == wanted and not entry.name.endswith(SUFFIX):
                return f"by name, but {entry} is there: let it end in {SUFFIX}"
    return ""


def _with_id(kind: str, name: str) -> Traversable | None:
    """Return the file whose id this is, where it has another name than its id.

    The file may be faulty: whoever reads it then tells so.
    """
    for entry in _shelf(kind).values():
        if _id_within(entry, KINDS[kind]) == name:
            return entry
    return None


def _id_within(entry: Traversable, table: str) -> str:
    """Return the id that a file states, also where it is not TOML as a whole."""
    try:
        if not entry.is_file():  # a pipe would hold us up
            return ""
        with entry.open("rb") as stream:
            text = stream.read(MAX_BYTES).decode("utf-8", "replace")
    except (OSError, ValueError):
        return ""
    found = re.search(rf"^\[{table}\]{_ID_LINE}", text, re.M)
    return found[1] if found else ""


def _here(file: str) -> str:
    """Say that a file of this name lies in the current folder, if one does."""
    if not _exists(Path(file)):
        return ""
    return f"by name, but .{os.sep}{file} lies here: write it as a path"


def is_path(name_or_path: str) -> bool:
    """Tell whether a person meant a path, not a name."""
    separators = [os.sep, os.altsep or os.sep]
    return name_or_path.endswith(SUFFIX) or any(s in name_or_path for s in separators)


def anywhere(entry: Traversable) -> Traversable:
    """Return a path as it holds in any folder: a soak may go on from another one."""
    try:
        return entry.absolute() if isinstance(entry, Path) else entry
    except OSError:  # the current folder is gone
        return entry


def stem(entry: Traversable) -> str:
    """Return the file's name without `.toml`."""
    return entry.name.removesuffix(SUFFIX)


def read_toml(entry: Traversable) -> dict[str, Any]:
    """Read a file as TOML.

    Raises ConfigError when it is not a regular file, cannot be read, is longer than
    MAX_BYTES, is not UTF-8 or not TOML (with the line), or has a number of more than 64
    characters; UsageError when `SIZE_VARIABLE` holds no number.
    """
    data = _read_bytes(entry)
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        at = data.count(b"\n", 0, error.start) + 1
        found = f"found a byte {data[error.start]:#04x} that is not text"
        raise _refused(entry, found, "UTF-8 text", f"line {at}") from None
    for number, line in enumerate(text.splitlines(), start=1):
        if line.count(".") > _MAX_DOTS:
            expected = f"at most {_MAX_DOTS} in a line"
            raise _refused(entry, "found too many dots", expected, f"line {number}")
    try:
        return tomllib.loads(text, parse_float=_number)
    except RecursionError:
        raise _refused(entry, "nested too deeply", "plain TOML tables") from None
    except ValueError as error:  # TOMLDecodeError, and integers beyond any size
        raise _syntax(entry, text, str(error)) from None


def _number(text: str) -> float:
    if len(text) > LONGEST_NUMBER:
        raise ValueError(f"a number of more than {LONGEST_NUMBER} characters")
    return float(text)


def most_bytes() -> int:
    """Return how long a file may be. Raises UsageError."""
    said = os.environ.get(SIZE_VARIABLE, "")
    if not said:
        return MAX_BYTES
    if not (said.isascii() and said.isdigit() and len(said) <= _MOST_DIGITS):
        raise UsageError(f"{SIZE_VARIABLE} is no number of bytes: {said[:40]!r}")
    return int(said)


def _read_bytes(entry: Traversable) -> bytes:
    expected, most = "a readable TOML file", most_bytes()
    try:
        if not entry.is_file():
            kind = "is a folder" if entry.is_dir() else "is not a regular file"
            raise _refused(entry, kind, expected)
        with entry.open("rb") as stream:
            data = stream.read(most + 1)
    except OSError as error:
        reason = error.strerror or type(error).__name__
        raise _refused(entry, f"cannot be read: {reason}", expected) from None
    if len(data) > most:
        expected = f"at most {most} bytes; {SIZE_VARIABLE}=NUMBER allows more"
        raise _refused(entry, "too long", expected)
    return data


def _syntax(entry: Traversable, text: str, message: str) -> ConfigError:
    at = _AT_LINE.search(message)
    last = text.count("\n") + 1
    line = at.group(1) if at and at.group(1) else str(last)
    said = _AT_LINE.sub("", message) or "broken"
    return _refused(entry, f"not TOML: {said[:200]}", "TOML", f"line {line}")


def _refused(
    entry: Traversable, found: str, expected: str, key: str = WHOLE_FILE
) -> ConfigError:
    return ConfigError([Problem(str(entry), key, found, expected)])


def _shelf(kind: str) -> dict[str, Traversable]:
    """Return the files of a kind by name; the first folder that has a name wins."""
    shelf: dict[str, Traversable] = {}
    for root in _roots():
        for entry in _toml_files(root / kind):
            if not is_foreign(entry):
                shelf.setdefault(stem(entry), entry)
    return shelf


def is_foreign(entry: Traversable) -> bool:
    """Whether a file below the current folder, or a folder on the way, is another's.

    A bench file names programs, and whoever may write to a folder (`/tmp`) can put one
    there under the name of yours.
    """
    if not isinstance(entry, Path) or entry.is_absolute() or not hasattr(os, "geteuid"):
        return False
    trusted = (os.geteuid(), 0)
    way = (entry, *entry.parents)[:-1]  # all but the current folder itself
    try:
        return any(one.lstat().st_uid not in trusted for one in way)
    except OSError:
        return True


def user_folder() -> Path | None:
    """Return the user's configuration folder, None for a user without a home."""
    try:
        return platformdirs.user_config_path("benchlog", appauthor=False)
    except RuntimeError:  # neither HOME nor an entry among the users
        return None


def _roots() -> tuple[Traversable, ...]:
    user = user_folder()
    own = () if user is None else (user,)
    return (_HERE, *own, files("benchlog.configs"))


def _toml_files(folder: Traversable) -> list[Traversable]:
    return [entry for entry in _entries(folder) if entry.name.endswith(SUFFIX)]


def _entries(folder: Traversable) -> list[Traversable]:
    try:
        return list(folder.iterdir())
    except (OSError, ValueError):  # no such folder, or closed to us: nothing there
        return []


def _exists(path: Path) -> bool:
    try:
        return os.path.lexists(path)
    except (OSError, ValueError):  # a name too long, or with a zero byte
        return False


def _siblings(path: Path) -> list[str]:
    return [str(entry) for entry in _toml_files(path.parent)]
