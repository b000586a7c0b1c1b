"""What every command tells of the corpus, word for word, as it was before.

`BENCHLOG_UPDATE_FROZEN=1 pytest tests/frozen` writes the texts in `expected/` anew; the
diff then shows what changed, and each change wants a reason.
"""

from pathlib import Path

import pytest
from frozen.frozen_program import (
    page_told,
    same_as_frozen,
    sum_of,
    told_by,
)
from tiers import seldom

from benchlog.cli.command import COMMANDS

DATABASES = {
    "crystals": (1, 8, 11),
    "warmed": (1,),
    "pulses": (1,),
    "rc": (1,),
    "day": (1, 2),
    "trial": (1,),
    "factory": (1,),
}
MORE_RUNS = {
    "crystals": (2, 3, 4, 5, 6, 7, 9, 10, 12, 13, 14),
    "warmed": (2, 3),
    "pulses": (2,),
    "rc": (2,),
    "day": (3, 4, 16),
    "factory": (2,),
}
"""Of each kind there is one above; the lists tell all of them."""
LISTS = ("runs", "runs --json", "lots", "lots --json")
OF_A_RUN = (
    "show {run}",
    "show {run} --json",
    "stability {run}",
    "stability {run} --json",
    "temperature {run}",
    "temperature {run} --json",
    "ageing {run}",
    "ageing {run} --json",
    "response {run}",
    "response {run} --json",
    "fitness {run}",
    "fitness {run} --json",
)
KINDS = ("mdev", "tdev", "hdev", "totdev", "mtie")
MORE = {
    "crystals": [
        *(f"stability 11 --kind {kind} --json" for kind in KINDS),
        "stability 11 --spacing decade",
        "stability 1 --estimator plain",
        "stability 1 --tau 3,7",
        "fitness 1 --need serial-x16 --other-end-ppm 20000",
        "fitness 7 --horizon-years 5 --range-c 0 40 --json",
        "fitness --need usb-full-speed",
        "compare 1 2 6",
        "compare 1 3 --json",
        "ageing 11 12",
        "parts",
        "parts show quartz-16mhz-30ppm",
        "parts show rc-8mhz-delivered --json",
        "show 99",
        "show 1 --no-such",
    ],
    "warmed": ["compare 1 3", "temperature 1 3", "fitness 1 --law-from 1 --json"],
    "pulses": ["compare 1 2", "stability 1 --kind tdev"],
    "day": ["chips --lot B2207", "chips --lot B2207 --json", "compare 3 4 --json"],
    "factory": ["chips --lot 1-000/a=b", "chips --lot 1-001/a=b --json"],
}
PAGES = {
    "crystals": {5: 11},
    "warmed": {0: 1},
    "pulses": {0: 1},
    "day": {1: "--refcheck 1", 2: "--lot B2207"},
    "factory": {0: "--lot 1-000/a=b"},
}
MORE_PAGES = {
    "crystals": {0: 1, 1: 2, 2: 3, 3: 8, 4: 10, 6: 13, 7: 14},
    "warmed": {1: 2, 2: 3},
    "pulses": {1: 2},
    "rc": {0: 1, 1: 2},
    "day": {0: "2", 3: "3 4 5"},
}
"""Of each kind there is one above; several runs on a page are in `pages/` as well."""
PICTURES = {("crystals", 11), ("warmed", 1), ("pulses", 1), ("day", "--lot B2207")}
"""Pages of which a check sum of each picture is kept as well."""
DAILY = {"crystals", "pulses", "rc", "trial"}
"""Told in every run: a counter's, pulses, of a part that is no crystal, a trial.

Of what the others have, a law of temperature is told below, and lots are by `lots` of
`test_frozen_states.py`."""
PAGES_DAILY = {"crystals", "factory"}
"""One of a run and one of a lot; pulses, checks and PDF are in `pages/`."""


@pytest.mark.parametrize(
    "name", [one if one in DAILY else seldom(one) for one in DATABASES]
)
def test_what_is_told_of_runs(name: str, folder: Path) -> None:
    lines = [*LISTS, *MORE.get(name, ())]
    lines += [line.format(run=run) for run in DATABASES[name] for line in OF_A_RUN]
    same_as_frozen(name, [told_by(f"{line} --db {name}.db", folder) for line in lines])


def test_what_is_told_of_a_law_of_temperature(folder: Path) -> None:
    lines = ("temperature 1", "temperature 1 --json")
    told = [told_by(f"{line} --db warmed.db", folder) for line in lines]
    same_as_frozen("warmed-law", told)


@pytest.mark.parametrize("name", MORE_RUNS)
def test_what_more_is_told_of_runs(name: str, folder: Path) -> None:
    lines = [line.format(run=run) for run in MORE_RUNS[name] for line in OF_A_RUN]
    told = [told_by(f"{line} --db {name}.db", folder) for line in lines]
    same_as_frozen(f"{name}-more-runs", told)


def pages_told(name: str, chosen: dict[int, object], folder: Path) -> list[str]:
    told = []
    for number, which in chosen.items():
        pictures = (name, which) in PICTURES
        line = f"{which} --db {name}.db"
        told += page_told(line, number, folder, pictures=pictures)
    return told


@pytest.mark.parametrize(
    "name", [one if one in PAGES_DAILY else seldom(one) for one in PAGES]
)
def test_what_pages_hold(name: str, folder: Path) -> None:
    same_as_frozen(f"{name}-pages", pages_told(name, PAGES[name], folder))


@pytest.mark.parametrize("name", MORE_PAGES)
def test_what_more_pages_hold(name: str, folder: Path) -> None:
    same_as_frozen(f"{name}-more-pages", pages_told(name, MORE_PAGES[name], folder))


def test_files_out_and_in(folder: Path) -> None:
    told = []
    for run in (1, 11, 13):
        for kind in ("csv", "jsonl", "parquet"):
            name = f"out-{run}.{kind}"
            line = f"export {run} --db crystals.db --format {kind} --out {name}"
            told.append(told_by(line, folder))
            if kind != "parquet":  # whose bytes are those of the library's version
                told.append(f"{name}: {sum_of(folder / name)}")
    incoming = [
        *(
            f"out-{run}.{kind}"
            for run in (1, 13)
            for kind in ("csv", "jsonl", "parquet")
        ),
        *(f"KX-0412.{kind}" for kind in ("csv", "jsonl", "parquet")),
        "frequency.txt --nominal-hz 8e6",
        "fractional.csv --nominal-hz 8e6 --data fractional",
        "phase.txt --nominal-hz 8e6 --data phase --gate-s 1",
        "damaged.txt --nominal-hz 8e6",
    ]
    told += [
        told_by(f"import {one} --again --db new.db --json", folder) for one in incoming
    ]
    shown = range(1, len(incoming) + 1)
    told += [told_by(f"show {run} --json --db new.db", folder) for run in shown]
    told.append(told_by("runs --db new.db", folder))
    same_as_frozen("files", told)


def test_what_is_amended_merged_and_copied(folder: Path) -> None:
    lines = (
        "void 1 --reason 'probe fell off' --operator mk --db crystals.db",
        "correct 2 --device FAIL-7 --reason '7 read as 1' --db crystals.db",
        "judge 3 --part quartz-16mhz-50ppm --reason 'other part' --db crystals.db",
        "runs --db crystals.db",
        "runs --json --db crystals.db",
        *(f"show {run} --db crystals.db" for run in (1, 2, 3)),
        *(f"show {run} --db crystals.db --json" for run in (1, 2, 3)),
        "compare 1 3 --db crystals.db",
        "backup copy.db --db crystals.db",
        "merge crystals.db warmed.db schema-1.db --db copy.db --json",
        "runs --db copy.db",
        "void 5 --reason 'wrong device' --db day.db",
        "lots --db day.db --json",
        "chips --lot B2207 --db day.db",
        "export --dataset set --db day.db",
        "export --dataset set --db factory.db",
        "lots --dataset set --json",
        *(f"runs --db schema-{step}.db" for step in (1, 2, 3)),
        *(f"show 1 --db schema-{step}.db --json" for step in (1, 2, 3)),
    )
    same_as_frozen("amended", [told_by(line, folder) for line in lines])


def test_every_commands_help(folder: Path) -> None:
    told = [told_by(f"{name} --help", folder) for name in COMMANDS]
    same_as_frozen("help", [told_by("--help", folder), *told])
