"""Rows that a database would not take, in a file from which they can be brought back.

The first line tells what it is and whose rows they are; each further line is one row.
The file lies beside the database where there is room, else in another place that a
restart of the computer does not empty.
"""

import base64
import json
import os
import shlex
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import closing, suppress
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, Final

import platformdirs

from benchlog.errors import DataError, StoreError
from benchlog.model import Condition, Edge, Event, Flag, PhasePoint, Reading
from benchlog.store.reader import Reader
from benchlog.store.rows import Row

_MARK: Final = "benchlog_unsaved_rows"
_KINDS: Final = {
    kind.__name__.lower(): kind
    for kind in (Reading, Event, Condition, Edge, PhasePoint)
}
_KEPT_OVER_BOOTS: Final = Path("/var/tmp")  # noqa: S108 - Filesystem Hierarchy Standard 3.0, 5.15


@dataclass(frozen=True, slots=True)
class UnsavedRows:
    """What such a file holds: rows, and the device and start of their runs by number.

    `damaged` counts lines that are no rows, such as one that was cut off.
    """

    rows: tuple[Row, ...]
    runs: Mapping[int, tuple[str, int]]
    database: str
    damaged: int = 0


def places_beside(database: Path) -> tuple[Path, ...]:
    """Return where unsaved rows may lie, the best place first."""
    data = Path(platformdirs.user_data_dir("benchlog", appauthor=False))
    return (database.absolute().parent, data, Path.home(), _KEPT_OVER_BOOTS)


def save_rows(
    rows: Sequence[Row], database: Path, places: Iterable[Path], before: Path | None
) -> Path:
    """Write rows behind those in `before`, or into a new file in the first good place.

    It is on the disk when this returns. Raises StoreError when no place has room.
    """
    lines = [_line(row) for row in rows]
    if before is not None and _appended(before, lines):
        return before
    head = {_MARK: 1, "database": str(database.absolute())}
    lines = [json.dumps({**head, "runs": _runs_of(rows, database)}), *lines]
    for place in places:
        path = place / f"benchlog-unsaved-{os.getpid()}.jsonl"
        with suppress(OSError):
            place.mkdir(parents=True, exist_ok=True)
            number = 1
            while path.exists():
                number += 1
                path = place / f"benchlog-unsaved-{os.getpid()}-{number}.jsonl"
            if _appended(path, lines):
                return path
    raise StoreError(
        f"{len(rows)} rows are lost: neither {database} nor any other place has room"
    )


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


def read_rows(path: Path) -> UnsavedRows:
    """Read a file of unsaved rows. Raises DataError when it is none."""
    try:
        first, *lines = path.read_text("utf-8", errors="replace").splitlines()
        head = json.loads(first)
        runs = {int(n): (str(d), int(at)) for n, (d, at) in head["runs"].items()}
        database = str(head["database"])
    except OSError as error:
        raise DataError(f"{path} cannot be read: {error.strerror}") from error
    except (ValueError, TypeError, KeyError, AttributeError) as error:
        raise DataError(f"the first line of {path} is damaged ({error})") from error
    found = list(_rows_in(lines))
    rows = tuple(row for row in found if row is not None)
    return UnsavedRows(rows, runs, database, len(found) - len(rows))


def _rows_in(lines: Iterable[str]) -> Iterator[Row | None]:
    for line in lines:
        try:
            fields = json.loads(line, object_hook=_bytes_again)
            run_id, segment_id = int(fields.pop("run")), int(fields.pop("segment"))
            kind = _KINDS[fields.pop("record")]
            if "flags" in fields:
                fields["flags"] = Flag(fields["flags"])
            yield run_id, segment_id, kind(**fields)
        except (ValueError, TypeError, KeyError, AttributeError):
            yield None


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


def _runs_of(rows: Sequence[Row], database: Path) -> dict[int, tuple[str, int]]:
    """Return device and start of the runs; nothing of one that cannot be read now."""
    found = {}
    with suppress(StoreError), closing(Reader.open(database)) as reader:
        for run_id in sorted({row[0] for row in rows}):
            run = reader.run(run_id)
            found[run_id] = (run.typed_device or run.device, run.started_utc_ns)
    return found


def _appended(path: Path, lines: Sequence[str]) -> bool:
    """Whether the lines are on the disk; what does not fit whole leaves no trace."""
    size = path.stat().st_size if path.exists() else None
    try:
        with path.open("a", encoding="utf-8") as file:
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
