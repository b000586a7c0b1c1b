"""Each finder goes through, and the code's constants are those named in RESULTS.md."""

import importlib
import os
import re
import sys
from pathlib import Path

import pytest
from warm_program import run

HERE = Path(__file__).parent
ROW = re.compile(
    r"^\| `([A-Z_]+)` \| `([\w./]+)\.py` \| ([\d., ]+) \|.*\| `(\w+)\.py` \|$"
)
ROWS = [
    found.groups()
    for line in (HERE / "RESULTS.md").read_text().splitlines()
    if (found := ROW.match(line))
]
PROGRAMS = sorted(
    path.stem for path in HERE.glob("*.py") if not path.stem.startswith("test_")
)


@pytest.mark.parametrize("program", PROGRAMS)
def test_a_finder_prints_its_seed_its_table_and_what_it_finds(program):
    done = run(
        [sys.executable, HERE / f"{program}.py", "--runs", "2", "--seed", "7"],
        capture_output=True,
        text=True,
        timeout=120,
        check=True,
        env={**os.environ, "OMP_NUM_THREADS": "1"},
    )
    lines = done.stdout.splitlines()
    assert lines[0] == "seed 7 (numpy)"
    assert len([line for line in lines if re.match(r" +[\d.]+ +[\d.]+", line)]) > 3
    assert lines[-1].startswith("found: ")


def test_every_finder_is_in_the_index():
    assert sorted({row[-1] for row in ROWS}) == PROGRAMS


@pytest.mark.parametrize(("name", "file", "value", "program"), ROWS)
def test_the_constant_is_the_one_of_the_last_table(name, file, value, program):
    module = importlib.import_module(file.replace("/", "."))
    kept = tuple(float(one) for one in value.split(","))
    assert tuple(numbers(getattr(module, name))) == kept, (
        f"run {program}.py, mend RESULTS.md"
    )


def numbers(constant):
    """Yield the numbers of a constant one after another, those of a mapping too."""
    if isinstance(constant, dict):
        constant = tuple(constant.values())
    if not isinstance(constant, tuple):
        yield float(constant)
        return
    for one in constant:
        yield from numbers(one)
