"""States, pictures and files that `test_frozen.py` leaves out, told as before the move.

`BENCHLOG_UPDATE_FROZEN=1 pytest -m 'not slow' tests/frozen` writes these texts anew,
too. Pages are kept as words and a check sum for each picture; tables as rows or a check
sum of rows.
"""

import json
from collections.abc import Iterable
from pathlib import Path

import pyarrow.parquet as pq
import pytest
from frozen.frozen_program import (
    page_told,
    pictures_of,
    plain,
    same_as_frozen,
    sum_of_text,
    told_by,
)
from tiers import seldom

LOTS = ("ACCEPTED", "REJECTED", "OPEN", "TROUBLE")
STUDIED = {
    "states": [
        "show {run}",
        "show {run} --json",
        "fitness {run}",
        "stability {run}",
        "response {run}",
        "temperature {run}",
    ],
    "lots": ["show {run}", "show {run} --json"],
}
RUNS = {"states": (4, 10, 11, 12, 15), "lots": (1, 13)}
MORE_RUNS = {
    "states": (1, 2, 3, 5, 6, 7, 8, 9, 13, 14, 16),
    "lots": (*range(2, 13), *range(14, 18)),
}
"""Of each kind there is one above, and the list of runs tells all of them."""
ASKED = {
    "states": [
        "fitness 4 --json",
        "response 10 --json",
        "response 16 --json",
        "temperature 16 --json",
        "temperature 16 --law line --with-ageing",
        "stability 16 --remove-drift --json",
        "stability 12 --kind mtie --json",
        "compare 2 4 6",
        "compare 2 4 --json",
        "fitness 10 --need serial-x16 --other-end rc-8mhz-trimmed",
        "judge 4 --refcheck latest --reason 'the check was voided'",
        "show 4",
        "show 4 --json",
        "void 7 --reason 'not locked, either'",
        "runs --json",
        "judge 6 --refcheck latest",
        "void 15",
        "judge 15 --part no-such-part --reason x",
        "correct 14 --device CUT-OFF --reason same",
    ],
    "lots": [
        "lots --part quartz-16mhz-30ppm",
        "lots --supplier nobody",
        *(f"chips --lot {lot}{kind}" for lot in LOTS for kind in ("", " --json")),
        "void 2 --reason 'wrong tray'",
        "lots",
        "chips --lot ACCEPTED",
    ],
    "crystals": [
        *(f"stability 11 --kind {kind}" for kind in ("mdev", "tdev", "hdev", "totdev")),
        *(f"stability 12 --kind {kind}" for kind in ("mtotdev", "ttotdev", "htotdev")),
        "stability 11 --kind mtie",
        "stability 1 --spacing every --json",
        "stability 11 --remove-drift",
        "stability 10 --leave-out-outliers",
        "export 11 --stability",
        "runs --device FAIL-1 --limit 1",
        "fitness --need usb --json",
        "fitness 1 --ageing-from 12 --horizon-years 10",
        "stability 1 --kind nothing",
        "report 1",
    ],
}
PAGES = {
    "states": {4: "--refcheck 2"},
    "lots": {number: f"--lot {lot}" for number, lot in enumerate(LOTS)},
}
MORE_PAGES = {0: "4", 1: "13", 2: "10", 3: "2 4 6"}
"""Of `states`; of each kind there is one above or in `test_frozen.py`."""
DRAWN = {"crystals": (4,), "rc": (2,), "day": ("--refcheck 1",)}
"""Pages that are kept for their pictures; of others see `test_frozen.py`."""
WRITTEN = {
    "warmed": (1, 2, 3),
    "pulses": (1, 2),
    "rc": (1, 2),
    "states": (4, 10, 11, 15),
    "lots": (1,),
}
MORE_WRITTEN = {
    "crystals": range(1, 15),  # three of them are in `test_files_out_and_in` as well
    "states": (1, 2, 3, 5, 6, 7, 8, 9, 12, 13, 14, 16),
    "lots": range(2, 18),
}


def lines_of(name: str, runs: Iterable[int]) -> list[str]:
    return [line.format(run=run) for run in runs for line in STUDIED[name]]


def test_what_is_shown_of_states(folder: Path) -> None:
    lines = [f"show {run}" for run in RUNS["states"]]
    told = [told_by(f"{line} --db states.db", folder) for line in lines]
    same_as_frozen("states-shown", told)


@pytest.mark.parametrize(
    "name",  # what is asked of `states` is asked of `crystals` or in `cli/` as well
    [seldom(one) if one == "states" else one for one in ASKED],
)
def test_what_is_told_of_states(name: str, folder: Path) -> None:
    lines = ["runs", "lots", "lots --json"]
    lines += lines_of(name, RUNS.get(name, ()))
    lines += ASKED[name]
    told = [told_by(f"{line} --db {name}.db", folder) for line in lines]
    same_as_frozen(f"{name}-more", told)


@pytest.mark.parametrize("name", MORE_RUNS)
def test_what_more_is_told_of_states(name: str, folder: Path) -> None:
    lines = lines_of(name, MORE_RUNS[name])
    told = [told_by(f"{line} --db {name}.db", folder) for line in lines]
    same_as_frozen(f"{name}-more-runs", told)


def pages_told(name: str, chosen: dict[int, str], folder: Path) -> list[str]:
    told = []
    for number, which in chosen.items():
        told += page_told(f"{which} --db {name}.db", number, folder, pictures=True)
    return told


@pytest.mark.parametrize(
    "name",  # a lot's page: `factory` of `test_frozen.py`
    ["states", seldom("lots")],
)
def test_what_pages_of_states_hold(name: str, folder: Path) -> None:
    same_as_frozen(f"{name}-pages", pages_told(name, PAGES[name], folder))


def test_what_more_pages_of_states_hold(folder: Path) -> None:
    same_as_frozen("states-more-pages", pages_told("states", MORE_PAGES, folder))


def test_what_more_charts_are_drawn(folder: Path) -> None:
    told = []
    for name, chosen in DRAWN.items():
        for number, which in enumerate(chosen):
            page = f"{name}-{number}.html"
            told.append(told_by(f"report {which} --db {name}.db --out {page}", folder))
            told += pictures_of(folder / page)
    same_as_frozen("pictures", told)


OF_THE_EXPORT = ("source", "pack", "revision")
"""Columns of a dataset that tell which file was exported, and when."""


def rows_of(path: Path) -> tuple[str, str]:
    """Return what kind of columns a Parquet file has, and its rows as text."""
    table = pq.ParquetFile(path).read()
    schema = " ".join(f"{one.name}:{one.type}" for one in table.schema)
    rows = [
        {name: value for name, value in row.items() if name not in OF_THE_EXPORT}
        for row in table.to_pylist()
    ]
    return schema, "\n".join(json.dumps(one, default=str) for one in rows)


def written(name: str, runs: Iterable[int], folder: Path) -> list[str]:
    told = []
    for run in runs:
        for kind in ("csv", "jsonl", "parquet"):
            made = f"{name}-{run}.{kind}"
            line = f"export {run} --db {name}.db --format {kind} --out {made}"
            told.append(told_by(line, folder))
            if not (folder / made).exists():
                continue
            if kind == "parquet":
                schema, rows = rows_of(folder / made)
                told.append(f"{schema}\nrows: {sum_of_text(rows)}")
            else:
                text = plain((folder / made).read_text("utf-8"), folder)
                told.append(f"text: {sum_of_text(text)}")
    return told


@pytest.mark.parametrize("name", WRITTEN)
def test_what_exports_hold(name: str, folder: Path) -> None:
    same_as_frozen(f"{name}-exports", written(name, WRITTEN[name], folder))


@pytest.mark.parametrize("name", MORE_WRITTEN)
def test_what_more_exports_hold(name: str, folder: Path) -> None:
    told = written(name, MORE_WRITTEN[name], folder)
    same_as_frozen(f"{name}-more-exports", told)


@pytest.mark.parametrize(
    "name",
    ["factory", seldom("states"), seldom("lots")],
)
def test_what_a_dataset_holds(name: str, folder: Path) -> None:
    told = [told_by(f"export --dataset set --db {name}.db", folder)]
    for path in sorted((folder / "set").rglob("*.parquet")):
        schema, rows = rows_of(path)
        where = path.parent.relative_to(folder / "set")
        if where.parts[0] == "readings":
            rows = f"{len(rows.splitlines())} rows: {sum_of_text(rows)}"
        told.append(plain(f"{where}\n{schema}\n{rows}", folder))
    told.append(told_by("export --dataset set --db crystals.db", folder))
    told.append(told_by("lots --dataset set", folder))
    same_as_frozen(f"{name}-dataset", told)
