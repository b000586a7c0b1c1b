"""A run in the making is written by itself only: others tell it what happened."""

import ast
from pathlib import Path

import pytest

import benchlog

ROOM = Path(benchlog.__file__).parent
HOME = ROOM / "recorder" / "run" / "live_run.py"


def names_of_runs(nodes):
    """Return every name that is annotated as a live run, and `run` itself."""
    annotated = {
        (node.arg if isinstance(node, ast.arg) else ast.unparse(node.target))
        for node in nodes
        if isinstance(node, ast.arg | ast.AnnAssign)
        and node.annotation is not None
        and "LiveRun" in ast.unparse(node.annotation)
    }
    made = {
        ast.unparse(target)
        for node in nodes
        if isinstance(node, ast.Assign)
        and isinstance(node.value, ast.Call)
        and _last_name(node.value.func) == "LiveRun"
        for target in node.targets
    }
    return {name.rpartition(".")[2] for name in annotated | made} | {"run"}


def assigned(nodes):
    """Return every attribute that is assigned to, deleted, or set by name."""
    for node in nodes:
        if isinstance(node, ast.Attribute) and not isinstance(node.ctx, ast.Load):
            yield node.lineno, ast.unparse(node)
        elif isinstance(node, ast.Call) and _last_name(node.func).endswith("setattr"):
            yield node.lineno, f"{ast.unparse(node.args[0])}.?"


def _last_name(node):
    return getattr(node, "attr", getattr(node, "id", ""))


def written_from_outside(text):
    """Return the lines of a file that assign to a live run, or to a part of one."""
    nodes = list(ast.walk(ast.parse(text)))
    runs = names_of_runs(nodes)
    return [
        f"{line}: {target}"
        for line, target in assigned(nodes)
        if runs & set(target.split(".")[:-1])
    ]


def test_nobody_outside_assigns_to_a_live_run():
    found = {
        str(path.relative_to(ROOM)): lines
        for path in sorted(ROOM.rglob("*.py"))
        if path != HOME
        and "recorder" in path.parts
        and (lines := written_from_outside(path.read_text("utf-8")))
    }
    assert found == {}


@pytest.mark.parametrize(
    "line",
    [
        "run.paused = True",
        "run.accepted += 1",
        "run.judge.resolution_hz = 0.1",
        "self.run.paused, x = True, 1",
        "del run.ambient",
        "setattr(run, 'fed', 3)",
        "def f(one: LiveRun):\n    one.fed = 3",
        "new = LiveRun(1)\nnew.fed = 3",
    ],
)
def test_such_a_line_is_found(line):
    assert len(written_from_outside(line)) == 1


def test_what_a_run_holds_may_be_read_and_told():
    assert written_from_outside("x = run.paused\nrun.pause()\nself.paused = True") == []
