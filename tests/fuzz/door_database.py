"""A damaged database, and what every command that lists makes of it.

No command ends in something unexpected, whatever a database holds; and damage to the
rows of some runs takes no other run out of any list.
"""

import json
import os
import tempfile
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final

from click.testing import CliRunner
from fuzz.damaged_databases import damages, made, spoil, whole_database
from fuzz.loop import MEMORY, Door

import benchlog
from benchlog.cli import root
from benchlog.errors import BenchlogError
from benchlog.recorder.run.resume import find_last, resumed
from benchlog.units import NS_PER_S

LISTS: Final = (
    "runs",
    "devices",
    "results",
    "results --csv",
    "lots",
    "lots --json",
    "chips --lot 1-000/a=b",
    "ageing 4 5",
    "fitness --lot 1-000/a=b",
    "compare 1 5",
    "show 4",
    "show 5 --json",
    "show 6",
    "show 7",
    "stability 4",
    "temperature 4",
    "response 4",
    "export --dataset {folder}/dataset",
    "export 4 --out {folder}/4.csv --overwrite",
    "export 5 --format jsonl --out {folder}/5.jsonl --overwrite",
    "backup {folder}/copy.db --overwrite",
)
PAGES: Final = (
    "report 5 --out {folder}/5.html --overwrite",
    "report --lot 1-000/a=b --out {folder}/lot.html --overwrite",
)
"""Charts take half a second of their own: one input in forty has a page."""
UNEXPECTED: Final = "something unexpected"


@contextmanager
def door() -> Iterator[Door]:
    with (
        tempfile.TemporaryDirectory(dir=MEMORY) as name,
        _at_home(Path(name)) as folder,
    ):
        whole = whole_database(folder)
        database = folder / "given.db"

        def enter(data: bytes) -> str:
            database.write_bytes(whole)
            for left in ("-wal", "-shm"):
                database.with_name(database.name + left).unlink(missing_ok=True)
            touched = spoil(database, damages(data))
            said = [_runs(database, touched)]
            at = zlib.crc32(data)
            lists = [LISTS[(at + 7 * nth) % len(LISTS)] for nth in range(3)]
            for line in (*lists, *(() if at % 40 else PAGES)):
                said.append(told(line.format(folder=folder), database))
            (_opened, _resumed)[at % 2](database)
            return "; ".join(filter(None, said))

        yield Door(name="database", enter=enter, make=made, slowest_s=5.0)


@contextmanager
def _at_home(folder: Path) -> Iterator[Path]:
    kept = dict(os.environ)
    for name in ("XDG_CONFIG_HOME", "XDG_DATA_HOME", "HOME"):
        os.environ[name] = str(folder / "home")
    os.environ["COLUMNS"] = "100"
    try:
        yield folder
    finally:
        os.environ.clear()
        os.environ.update(kept)


def told(line: str, database: Path) -> str:
    """Run a command; return the words that it was refused with."""
    done = CliRunner().invoke(root, [*line.split(), "--db", str(database)])
    if done.exception and not isinstance(done.exception, SystemExit):
        raise done.exception
    assert UNEXPECTED not in done.stderr, f"{line}: {done.stderr}"
    if not done.exit_code:
        return ""
    refused = done.stderr.replace(str(database.parent), "")
    return f"{line.split(maxsplit=1)[0]}: {refused}"


def _runs(database: Path, touched: set[int] | None) -> str:
    """List the runs; those that nobody touched must be there."""
    done = CliRunner().invoke(root, ["runs", "--json", "--db", str(database)])
    assert UNEXPECTED not in done.stderr, done.stderr
    if done.exception and not isinstance(done.exception, SystemExit):
        raise done.exception
    if touched is None:
        return f"runs: {done.stderr}" if done.exit_code else ""
    assert done.exit_code == 0, done.stderr
    listed = {one["run"] for one in json.loads(done.stdout)}
    missing = set(range(1, 9)) - touched - listed
    assert not missing, f"{missing} are not listed, only {touched} were touched"
    return "\n".join(one for one in done.stderr.splitlines() if "left out" in one)


def _opened(database: Path) -> None:
    try:
        with benchlog.open(database) as records:
            for run in records.runs():
                try:
                    run.figures().as_dict()
                except BenchlogError:
                    continue
    except BenchlogError:
        return


def _resumed(database: Path) -> None:
    try:
        for run in find_last(database, trust=True):
            resumed(database, run, 2_000_000_000 * NS_PER_S, trust=True)
    except BenchlogError:
        return
