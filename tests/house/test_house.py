"""What DEVELOPERS.md claims of the house, held against the code.

The arrows between rooms are import contracts in pyproject.toml; the rest is here.
"""

import ast
import re
import subprocess
import sys
from collections import Counter
from pathlib import Path

import pytest
from house.house_map import (
    TOP,
    class_names,
    imports,
    long_constructors,
    modules,
    picture,
)
from house.private_reach import unexplained
from house.snapshot_keys import snapshot_keys
from house.told_constants import all_untold, found_again, untold

DEVELOPERS = (TOP / "DEVELOPERS.md").read_text("utf-8")
MOST_FILES = 20
MOST_LINES = 360
BY_POSITION = {
    "benchlog.model.bench.Identity": "strangers' drivers build it",
    "benchlog.model.readings.Sample": "strangers' drivers build it, for every reading",
    "benchlog.model.readings.Reading": "built for every reading",
    "benchlog.model.readings.Columns": "built for every batch of readings",
    "benchlog.model.readings.Breaks": "built for every batch of readings",
    "benchlog.model.readings.Edge": "built for every pulse",
    "benchlog.model.readings.PhasePoint": "built for every line of phase",
    "benchlog.model.readings.Pulses": "built for every batch of pulses",
    "benchlog.model.readings.Condition": "built for every value logged",
    "benchlog.model.readings.Event": "rows of one query, in its order",
}
"""Constructors that may take more than four fields by position, and why."""
HEAVY = {
    *("numpy", "scipy", "matplotlib", "pyarrow", "jinja2", "fpdf"),
    *("textual", "rich", "asyncio", "pyvisa", "serial", "tomllib"),
    *("sqlite3", "pysqlite3", "sqlite_utils"),
}


def test_a_class_name_stands_once() -> None:
    twice = {name for name, number in class_names().items() if number > 1}
    assert twice == set()


def test_a_room_of_many_files_has_folders_that_part_them() -> None:
    folders = Counter(
        one.path.parent for one in modules().values() if not one.is_package
    )
    crowded = {
        str(folder.relative_to(TOP)): number
        for folder, number in folders.items()
        if number > MOST_FILES
        and not any(folder.glob("*/__init__.py"))
        and folder.name != "commands"  # a file per command, found by its name
    }
    assert crowded == {}


def test_a_file_can_be_read_at_one_go() -> None:
    long = {
        name: one.lines for name, one in modules().items() if one.lines > MOST_LINES
    }
    assert long == {}


def test_a_long_constructor_takes_names() -> None:
    assert set(long_constructors()) == set(BY_POSITION)


def test_take_is_a_verb_of_nobody() -> None:
    found = [
        f"{name}:{node.lineno} {node.name}"
        for name, one in modules().items()
        for node in one.nodes
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef)
        and re.fullmatch(r"_*(take|takes|taken)(_.*)?", node.name)
    ]
    assert found == []


def test_no_two_files_import_each_other() -> None:
    known = modules()
    graph = {name: set(imports(one)) for name, one in known.items()}
    # the front door reaches inwards late, when somebody opens a database
    graph["benchlog"] = set()
    while graph:
        leaves = {name for name, others in graph.items() if not others & set(graph)}
        assert leaves, f"these import each other: {sorted(graph)}"
        graph = {name: others for name, others in graph.items() if name not in leaves}


def test_only_evaluation_calls_for_the_judge_of_a_stored_run() -> None:
    callers = {
        one.room
        for one in modules().values()
        for node in one.nodes
        if isinstance(node, ast.ImportFrom)
        and any(alias.name == "judge_for" for alias in node.names)
    }
    assert callers == {"evaluation"}


def test_verdict_makes_no_documents() -> None:
    """JSON for scripts is made in `evaluation`, of the objects that verdict gives."""
    found = [
        name
        for name, one in modules().items()
        if one.room == "verdict"
        and re.search(
            r"dict\[str, (Any|object)\]|Mapping\[str, (Any|object)\]", one.text
        )
    ]
    assert found == []


def test_a_snapshot_is_read_in_one_place() -> None:
    """Others ask `Run` for what it was begun with, or hand its snapshot on whole."""
    readers = ("benchlog.model.", "benchlog.store.snapshot")
    found = [
        f"{name}:{node.lineno} {ast.unparse(node)}"
        for name, one in modules().items()
        if not name.startswith(readers) and "snapshot" in one.text
        for node in snapshot_keys(one.tree)
    ]
    assert found == []


@pytest.mark.parametrize(
    "text",
    [
        "run.snapshot['part']",
        "record.run.snapshot.get('bench')",
        "snapshot = run.snapshot\nsnapshot['bench']",
        "begun = dict(run.snapshot)\n'lot' in begun",
        "dict(run.snapshot).pop('lot')",
        "header['snapshot']['part']",
    ],
)
def test_a_key_picked_out_of_a_snapshot_is_seen(text: str) -> None:
    assert len(snapshot_keys(ast.parse(text))) == 1


def test_a_snapshot_may_be_handed_on_whole() -> None:
    text = "header['snapshot'] = to_plain(run.snapshot)\nthaw(header['snapshot'])"
    assert snapshot_keys(ast.parse(text)) == []


def test_charts_need_no_screen() -> None:
    for one in modules().values():
        if one.room in ("plotting", "evaluation", "pages", "exchange"):
            assert "textual" not in one.text, one.name


def test_who_writes_a_live_run() -> None:
    """Its attributes are assigned in its own file only."""
    (live,) = (
        node
        for node in ast.walk(modules()["benchlog.recorder.run.live_run"].tree)
        if isinstance(node, ast.ClassDef) and node.name == "LiveRun"
    )
    own = {
        node.attr
        for node in ast.walk(live)
        if isinstance(node, ast.Attribute) and ast.unparse(node.value) == "self"
    }
    found = []
    for name, one in modules().items():
        if one.room != "recorder" or name == "benchlog.recorder.run.live_run":
            continue
        for node in one.nodes:
            targets = (
                node.targets
                if isinstance(node, ast.Assign)
                else [node.target]
                if isinstance(node, ast.AugAssign | ast.AnnAssign)
                else []
            )
            found += [
                f"{name}:{target.lineno} {ast.unparse(target)}"
                for target in targets
                if isinstance(target, ast.Attribute)
                and target.attr in own
                and ast.unparse(target.value)
                in ("run", "live", "self.run", "self._run")
            ]
    assert found == []


def test_no_command_imports_at_start_what_it_may_not_need() -> None:
    """Every command's file is imported in one process; nothing heavy comes with it."""
    code = (
        "import sys, importlib\n"
        "from benchlog.cli.command import COMMANDS\n"
        "from benchlog.cli.group import module_of\n"
        f"heavy = {HEAVY!r}\n"
        "for name in COMMANDS:\n"
        "    before = set(sys.modules)\n"
        "    importlib.import_module(module_of(name))\n"
        "    new = (set(sys.modules) - before) & heavy\n"
        "    if new: print(name, sorted(new))\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True
    )
    assert done.stdout == ""


def test_the_picture_of_the_house_is_today_s() -> None:
    assert f"```text\n{picture()}\n```" in DEVELOPERS, (
        "print it with `python tests/house/house_map.py` and put it into DEVELOPERS.md"
    )


def test_every_file_that_developers_md_names_is_there() -> None:
    named = set(re.findall(r"`((?:[\w.-]+/)+[\w.-]*)`", DEVELOPERS))
    roots = (TOP, TOP / "benchlog")
    missing = {
        name for name in named if not any((root / name).exists() for root in roots)
    }
    assert missing == set()


def test_every_table_of_a_campaign_is_in_the_index() -> None:
    tables = {
        str(path.relative_to(TOP))
        for path in (TOP / "tests").rglob("*.md")
        if "expected" not in path.parts
    }
    assert {name for name in tables if name not in DEVELOPERS} == set()


def test_private_attributes_are_reached_only_where_a_reason_is_given() -> None:
    assert unexplained() == []


def test_every_number_of_the_code_tells_its_source_or_rule_or_has_a_finder() -> None:
    assert all_untold() == []


@pytest.mark.parametrize(
    ("text", "left"),
    [
        ("_BAR: Final = 13.0\n", ["_BAR"]),
        ("_BAR: Final = 13.0  # times the median\n", ["_BAR"]),
        ("# Our rule: few alarms.\n\n_BAR: Final = 13.0\n", ["_BAR"]),
        ("A = 1  # our rule: few\nB = 2\n", ["B"]),
        ("# our rule: few\nA = 1\nB = 2\n", ["B"]),
        ("A, B = 1, 2\n", ["A", "B"]),
        ('SIZES = {"a": (1, 2)}\n', ["SIZES"]),
        ("A = 1  # our rule: few\n", []),
        ("# common practice, no source\nA = 1\n", []),
        ("# A, B: our rule: few.\n\nA = 1\nB = 2\n", []),
        ('A = 1\n"""How many, source: JCGM 100:2008."""\n', []),
        ('A = 0\nB = True\nC = "1"\nlower = 1\n', []),
    ],
)
def test_a_number_without_an_origin_is_noticed(text: str, left: list[str]) -> None:
    assert list(untold(text)) == left


def test_a_row_of_a_finder_names_a_constant_of_one_file_only() -> None:
    row = (
        "| `_BAR` | `benchlog/analysis/steps.py` | 13.0 | few alarms | `step_bar.py` |"
    )
    assert found_again(row) == {("_BAR", "benchlog/analysis/steps.py")}


@pytest.mark.parametrize("maker", ["default_rng(", "random.Random("])
def test_random_numbers_of_tests_come_with_their_seed_printed(maker: str) -> None:
    here = Path(__file__)
    found = [
        str(path.relative_to(TOP))
        for path in (TOP / "tests").rglob("*.py")
        if maker in path.read_text("utf-8") and path.name != "seeds.py" and path != here
    ]
    assert found == []
