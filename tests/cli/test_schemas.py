"""The schemas of `--json`: shipped, sound, named by every document, and held.

The helpers that run commands hold each document that tests see (`schemas_held.py`).
Here are kinds of documents that no other test prints.
"""

import ast
import json
from pathlib import Path

import pytest
from click.testing import CliRunner
from frozen.frozen_program import copy_of_corpus, told_by
from jsonschema import Draft202012Validator
from schemas_held import FOLDER, UNITS, UPDATE, hold, like, widened

from benchlog import cli
from benchlog.cli import root
from benchlog.cli.tasks.host.ports import Port
from benchlog.schemas import KEY, VERSIONS, name_of, schema_of

CALLED = Path(cli.__file__).parent


def kinds_printed() -> list[str | None]:
    """Return the kind in each call of `print_json`; other than a literal fails."""
    calls = [
        node
        for path in CALLED.rglob("*.py")
        for node in ast.walk(ast.parse(path.read_text("utf-8")))
        if isinstance(node, ast.Call) and ast.unparse(node.func) == "print_json"
    ]
    return [ast.literal_eval(node.args[1]) for node in calls]


def test_every_kind_is_printed_and_has_its_file() -> None:
    assert {kind for kind in kinds_printed() if kind is not None} == set(VERSIONS)
    names = {name_of(kind).replace("/", "-") + ".json" for kind in VERSIONS}
    assert {path.name for path in FOLDER.glob("*.json")} == names


@pytest.mark.parametrize("kind", VERSIONS)
def test_a_schema_is_sound_and_tells_its_name(kind: str) -> None:
    schema = schema_of(kind)
    Draft202012Validator.check_schema(schema)
    assert schema["properties"][KEY] == {"const": name_of(kind)}
    assert KEY in schema["required"] and len(schema["properties"]) > 2
    wrong = {**dict.fromkeys(schema["required"]), KEY: "another/1"}
    assert not Draft202012Validator(schema).is_valid(wrong)


def test_what_is_held_has_one_of_each_kind() -> None:
    points = [{"a": 1}, {"a": 2.0}, {"a": 2.5}, {"a": "x"}, {"a": "y"}, {"b": None}]
    found = like({"points": points, "decision": "open", "passed": True})
    one_each = [{"a": 1}, {"a": 1.5}, {"a": ""}, {"b": None}]
    assert found == {"points": one_each, "decision": "open", "passed": True}


def test_a_renamed_key_and_another_type_are_found(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.delenv(UPDATE, raising=False)
    document = {KEY: "device/1", "device": "KX-1"}
    with pytest.raises(AssertionError, match="is it an addition"):
        hold(document)
    with pytest.raises(AssertionError, match="device/2"):
        hold([{**document, KEY: "device/2"}])


def test_a_schema_grows_by_what_is_seen() -> None:
    first = widened(None, {"u_ppm": 1, "text": "a", "more": None})
    both = widened(first, {"u_ppm": None, "text": "b", "more": {"n": 1}})
    assert both["required"] == ["u_ppm", "text", "more"]
    assert both["properties"]["u_ppm"] == {
        "type": ["null", "number"],
        "description": UNITS["ppm"],
    }
    assert both["properties"]["more"]["type"] == ["null", "object"]
    assert Draft202012Validator(first).is_valid({"u_ppm": 1, "text": "a", "more": 5})
    assert Draft202012Validator(both).is_valid({"u_ppm": 1.5, "text": "", "more": None})
    for wrong in ({"u_ppm": "1.5"}, {"more": 5}, {"text": None}):
        document = {"u_ppm": 1.5, "text": "", "more": None, **wrong}
        assert not Draft202012Validator(both).is_valid(document)


LINES = (
    "judge 3 --part quartz-16mhz-50ppm --reason other --db crystals.db --json",
    "results --db crystals.db --json",
    "devices --db crystals.db --json",
    "check --db crystals.db --json",
    "fitness --lot ACCEPTED --need usb --db lots.db --json",
    "inspect --lot ACCEPTED --result --db lots.db --json",
    "inspect --lot REJECTED --result --db lots.db --json",
    "lots --db lots.db --json",
    "export --dataset set --db lots.db",
    "runs --dataset set --json",
    "lots --dataset set --json",
    "bench --json",
    "parts --json",
    "defaults --json",
    "doctor --json",
    "ports --json",
    "hat 1 2 3 --db crystals.db --json",
)


def test_what_other_tests_do_not_print(tmp_path: Path) -> None:
    copy_of_corpus(tmp_path)
    seen = [kind for line in LINES for kind in kinds_of(told_by(line, tmp_path))]
    wanted = {"judgement", "result", "device", "check", "lot-fitness", "lot", "part"}
    wanted |= {"listed-lot", "dataset-run", "bench", "defaults", "finding"}
    assert wanted <= set(seen)


def kinds_of(told: str) -> list[str]:
    head = f'"{KEY}": "'
    return [
        line.split(head)[1].partition("/")[0]
        for line in told.splitlines()
        if line.lstrip().startswith(head)
    ]


def test_a_port_is_held_where_a_computer_has_none(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    port = Port(kind="serial", address="/dev/ttyUSB0", visa="ASRL/dev/ttyUSB0::INSTR")
    monkeypatch.setattr(
        "benchlog.cli.tasks.host.ports.found_ports", lambda *_, **__: [port]
    )
    done = CliRunner().invoke(root, ["ports", "--json"], catch_exceptions=False)
    (found,) = json.loads(done.stdout)
    hold(found)
    assert found[KEY] == "port/1"


def test_a_schema_is_printed_by_its_name() -> None:
    done = CliRunner().invoke(root, ["help", "--schema", "lot"])
    assert json.loads(done.stdout) == schema_of("lot")
