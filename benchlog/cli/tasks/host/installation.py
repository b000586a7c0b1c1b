"""Looking at the installation: versions, packages, data folder, clock, terminal.

Changes nothing: no folder is made, no database is created.
"""

import contextlib
import os
import re
import shutil
import sys
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from importlib import metadata
from pathlib import Path
from typing import Final

from benchlog.errors import BenchlogError, StoreOlderError

DISTRIBUTION: Final = "benchlog-clocks"
OPTIONAL: Final = {
    "pyarrow": "Parquet files and datasets",
    "duckdb": "asking questions of a dataset in SQL",
    "textual-serve": "the screens in a browser",
}
"""Packages without which only these work not."""
OLDEST_PYTHON: Final = (3, 11)
_REQUIREMENT: Final = re.compile(r"\s*([A-Za-z0-9._-]+)(?:\[[^\]]*\])?\s*([^;]*)")


@dataclass(frozen=True, slots=True, kw_only=True)
class Terminal:
    """The terminal that a screen would be shown in; None where there is none."""

    columns: int
    lines: int
    name: str
    colours: str  # none | some | 256 | true
    encoding: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Installation:
    """What was found. Of `packages` None means that one is missing.

    `database` tells of the file in words; `database_fault` why it cannot be read.
    """

    python_version: tuple[int, int, int]
    python: str
    sqlite: str
    is_sqlite_fixed: bool
    required: Mapping[str, str]
    packages: Mapping[str, str | None]
    broken_drivers: Mapping[str, str] = field(default_factory=dict)
    drivers: int = 0
    database: Path
    database_words: str
    database_fault: str = ""
    folder: Path
    is_folder_writable: bool
    free_mb: float | None
    is_clock_synchronised: bool | None
    terminal: Terminal | None


def look_at_installation(database: Path) -> Installation:
    """Look at this installation and at `database`, which need not exist."""
    required = dict(_required())
    folder = _nearest(database.absolute().parent)
    words, fault = _database(database)
    broken, number = _drivers()
    sqlite, fixed = _sqlite()
    return Installation(
        python_version=sys.version_info[:3],
        python=sys.executable,
        sqlite=sqlite,
        is_sqlite_fixed=fixed,
        required=required,
        packages={name: _version(name) for name in (*required, *OPTIONAL)},
        broken_drivers=broken,
        drivers=number,
        database=database,
        database_words=words,
        database_fault=fault,
        folder=folder,
        is_folder_writable=os.access(folder, os.W_OK | os.X_OK),
        free_mb=_free_mb(folder),
        is_clock_synchronised=_synchronised(),
        terminal=_terminal(),
    )


def _required() -> Iterator[tuple[str, str]]:
    """Yield name and wanted versions of each package that is always needed here."""
    with contextlib.suppress(metadata.PackageNotFoundError):
        for line in metadata.requires(DISTRIBUTION) or ():
            if "extra ==" in line or ";" in line:
                continue  # an extra, or wanted on some systems and optional there
            match = _REQUIREMENT.match(line)
            if match:
                yield match[1], match[2].strip()


def _version(name: str) -> str | None:
    try:
        return metadata.version(name)
    except metadata.PackageNotFoundError:
        return None


def _sqlite() -> tuple[str, bool]:
    from benchlog.store import sqlite

    name = sqlite.Connection.__module__.partition(".")[0]
    return f"{sqlite.VERSION} ({name})", sqlite.FIXED


def _drivers() -> tuple[dict[str, str], int]:
    from benchlog import registry

    listed = registry.load_all()
    broken = {one.name: one.reason for one in listed if one.driver is None}
    return broken, len(listed)


def _nearest(folder: Path) -> Path:
    """Return the folder, or where it would be made: the nearest that is there."""
    for one in (folder, *folder.parents):
        with contextlib.suppress(OSError):
            if one.is_dir():
                return one
    return folder


def _database(path: Path) -> tuple[str, str]:
    """Return what a database is, and why it cannot be read."""
    try:
        if not path.exists():
            return f"{path} is not there yet; the first run makes it", ""
    except OSError as error:
        return str(path), f"cannot be looked at ({error.strerror})"
    try:
        from benchlog.store.reader import Reader

        with Reader.open(path) as reader:
            newest = reader.latest_run()
    except StoreOlderError:
        return f"{path} is of an older version, and is read as it is", ""
    except (BenchlogError, ImportError, OSError) as error:
        return str(path), str(error)
    return f"{path}, newest run {newest.id}" if newest else f"{path}, no run yet", ""


def _free_mb(folder: Path) -> float | None:
    try:
        return shutil.disk_usage(folder).free / 1e6
    except OSError:
        return None


def _synchronised() -> bool | None:
    """Whether the system takes its clock as synchronised; None where it tells not."""
    if sys.platform != "linux":
        return None
    try:
        from benchlog.recorder.run.run_start import host_error_s
    except ImportError:
        return None
    return host_error_s() is not None


def _terminal() -> Terminal | None:
    if not sys.stdout.isatty():
        return None
    size = shutil.get_terminal_size()
    name = os.environ.get("TERM", "")
    return Terminal(
        columns=size.columns,
        lines=size.lines,
        name=name,
        colours=_colours(name, os.environ.get("COLORTERM", "")),
        encoding=sys.stdout.encoding or "",
    )


def _colours(name: str, colour: str) -> str:
    if name in ("", "dumb") or "NO_COLOR" in os.environ:
        return "none"
    if colour in ("truecolor", "24bit"):
        return "true"
    return "256" if "256" in name else "some"
