"""Rows that a database would not take, in a file from which they can be brought back.

The first line tells what it is and whose rows they are; each further line is one row.
The file lies beside the database where there is room, else in another place that a
restart of the computer does not empty. It is its owner's, and no link is followed.
"""

import base64
import json
import os
import shlex
import stat
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import closing, suppress
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, Final

import platformdirs

from benchlog.errors import DataError
from benchlog.model import Condition, Edge, Event, Flag, PhasePoint, Reading
from benchlog.store.reader import Reader
from benchlog.store.rows import Row
from benchlog.store.whole_files import created, opened_to_append

_MARK: Final = "benchlog_unsaved_rows"
_KINDS: Final = {
    kind.__name__.lower(): kind
    for kind in (Reading, Event, Condition, Edge, PhasePoint)
}
PLACE_VARIABLE: Final = "BENCHLOG_UNSAVED"
"""Names a folder for rows that neither the database nor its disk takes."""
_MOST_FILES: Final = 1_000
_LONGEST_HEAD: Final = 2**20
"""Characters; our rule: 20,000 runs at once."""
_NAME: Final = "benchlog-unsaved-*.jsonl"
_ODD: Final = (
    ValueError,
    TypeError,
    KeyError,
    AttributeError,
    OverflowError,
    RecursionError,
)
"""What comes of a line that is none of ours."""
_KEPT_OVER_BOOTS: Final = Path("/var/tmp")  # noqa: S108 - Filesystem Hierarchy Standard 3.0, 5.15


@dataclass(frozen=True, slots=True)
class UnsavedHead:
    """Whose rows such a file holds: device and start of their runs, by number."""

    runs: Mapping[int, tuple[str, int]]
    database: str


def places_beside(
    database: Path, environment: Mapping[str, str] = os.environ
) -> Iterator[Path]:
    """Yield where unsaved rows may lie, the best place first.

    Beside the database, in the data folder, then wherever `BENCHLOG_UNSAVED` names.
    """
    yield database.absolute().parent
    with suppress(RuntimeError):  # a user without a home
        yield Path(platformdirs.user_data_dir("benchlog", appauthor=False))
    given = environment.get(PLACE_VARIABLE, "")
    if given:
        yield Path(given).absolute()
    with suppress(RuntimeError):
        yield Path.home()
    yield _KEPT_OVER_BOOTS


def save_rows(
    rows: Sequence[Row],
    database: Path,
    places: Iterable[Path],
    before: Path | None,
    whose: Mapping[int, tuple[str, int]] | None = None,
) -> Path | None:
    """Write rows behind those in `before`, or into a new file in the first good place.

    `whose` is what `whose_runs` told while the database could be read: a damaged one
    cannot be asked, and one that is put in its place has other runs by these numbers.

    They are on the disk, and for their owner only, when this returns. Never raises:
    None when no place takes them, and then they are still the caller's.
    """
    lines = [_line(row) for row in rows]
    if before is not None and _appended(before, lines):
        return before
    head = {_MARK: 1, "database": str(database.absolute())}
    runs = {row[0] for row in rows}
    known = {run: one for run, one in (whose or {}).items() if run in runs}
    known = {**whose_runs(runs - known.keys(), database), **known}
    lines = [json.dumps({**head, "runs": known}), *lines]
    for place in places:
        path = _begun(place, lines)
        if path is not None:
            return path
    return None


def _begun(place: Path, lines: Sequence[str]) -> Path | None:
    """Write a new file in a place; None when it takes none."""
    with suppress(OSError, ValueError):
        place.mkdir(mode=0o700, parents=True, exist_ok=True)
        for number in range(1, _MOST_FILES):
            more = f"-{number}" if number > 1 else ""
            path = place / f"benchlog-unsaved-{os.getpid()}{more}.jsonl"
            try:
                fd = created(path)
            except FileExistsError:
                continue
            return path if _written(fd, path, lines, None) else None
    return None


def files_of(database: Path) -> Iterator[Path]:
    """Yield our own files that have rows of a database, where they may lie.

    A link, or what another user has put there, is none.
    """
    wanted = str(database.absolute())
    for place in dict.fromkeys(places_beside(database)):
        for path in sorted(place.glob(_NAME)):
            with suppress(OSError, DataError):
                told = path.lstat()
                if not stat.S_ISREG(told.st_mode) or told.st_uid != os.geteuid():
                    continue
                if is_unsaved(path) and head_of(path).database == wanted:
                    yield path


def head_of(path: Path) -> UnsavedHead:
    """Return what the first line of a file tells. Raises OSError, DataError."""
    with path.open(encoding="utf-8", errors="replace") as file:
        return head_from(path, file.readline(_LONGEST_HEAD))


def command_for(path: Path, database: Path) -> str:
    """Return the command that brings a file's rows back."""
    return shlex.join(
        ["benchlog", "import", str(path), "--db", str(database.absolute())]
    )


def is_unsaved(path: Path) -> bool:
    """Whether a file holds unsaved rows."""
    try:
        with path.open("rb") as file:
            return file.read(len(_MARK) + 8).lstrip(b' {"').startswith(_MARK.encode())
    except OSError:
        return False


def head_from(path: Path, first: str) -> UnsavedHead:
    """Return what the first line of a file tells. Raises DataError when it is none."""
    if not path.match(_NAME):
        raise DataError(
            f"{path} has rows for runs that are in the database; a keeper names such a "
            f"file {_NAME}: if one of yours has written it, give it that name again"
        )
    try:
        head = json.loads(first)
        runs = {int(n): (str(d), int(at)) for n, (d, at) in head["runs"].items()}
        return UnsavedHead(runs, str(head["database"]))
    except _ODD as error:
        raise DataError(f"the first line of {path} is damaged ({error})") from error


def rows_of_file(path: Path) -> Iterator[Row]:
    """Yield the rows of our own file one after another; nothing where it is gone."""
    with suppress(OSError), path.open(encoding="utf-8", errors="replace") as file:
        next(file, None)
        yield from (row for row in rows_in(file) if row is not None)


def rows_in(lines: Iterable[str]) -> Iterator[Row | None]:
    """Yield the row of each line; None for what is none, such as one cut off."""
    for line in lines:
        try:
            fields = json.loads(line, object_hook=_bytes_again)
            run_id, segment_id = _number(fields.pop("run")), _number(fields["segment"])
            del fields["segment"]
            kind = _KINDS[fields.pop("record")]
            if "flags" in fields:
                fields["flags"] = Flag(_number(fields["flags"]))
            yield run_id, segment_id, kind(**fields)
        except _ODD:
            yield None


def _number(value: object) -> int:
    """Return the number of a run, a segment, or flags. Raises ValueError."""
    if type(value) is int and 0 <= value < 2**63:  # definition: what SQLite counts to
        return value
    raise ValueError("no whole number")


def _line(row: Row) -> str:
    run_id, segment_id, record = row
    kind = type(record).__name__.lower()
    where = {"run": run_id, "segment": segment_id, "record": kind}
    return json.dumps({**where, **asdict(record)}, default=_plain)


def _plain(value: object) -> Any:
    if isinstance(value, bytes):
        return {"base64": base64.b64encode(value).decode("ascii")}
    return repr(value)


def _bytes_again(fields: dict[str, Any]) -> Any:
    return base64.b64decode(fields["base64"]) if set(fields) == {"base64"} else fields


def whose_runs(runs: Iterable[int], database: Path) -> dict[int, tuple[str, int]]:
    """Return device and start of runs; nothing of one that cannot be read now.

    A database in trouble may fail in any way, and rows matter more.
    """
    found = {}
    with suppress(Exception), closing(Reader.open(database)) as reader:
        for run_id in sorted(runs):
            with suppress(Exception):
                run = reader.run(run_id)
                found[run_id] = (run.typed_device or run.device, run.started_utc_ns)
    return found


def _appended(path: Path, lines: Sequence[str]) -> bool:
    """Whether the lines are in our own file, behind what it holds."""
    try:
        fd = opened_to_append(path)
    except OSError:
        return False
    return _written(fd, path, lines, os.fstat(fd).st_size)


def _written(fd: int, path: Path, lines: Sequence[str], size: int | None) -> bool:
    """Whether the lines are on the disk; what does not fit whole leaves no trace.

    `size` is what the file held before, None for one that is new.
    """
    try:
        with os.fdopen(fd, "a", encoding="utf-8") as file:
            file.writelines(f"{line}\n" for line in lines)
            file.flush()
            os.fsync(file.fileno())
    except OSError:
        with suppress(OSError):
            if size is None:
                path.unlink(missing_ok=True)
            else:
                os.truncate(path, size)
        return False
    return True
