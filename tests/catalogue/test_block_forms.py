"""`[block]` of a dialect: every mistake is named, and no time is guessed."""

import copy
import tomllib
from importlib import resources

import pytest

from benchlog.catalogue import load_dialect
from benchlog.catalogue.dialects import dialect_from_mapping
from benchlog.errors import ConfigError
from benchlog.model.blocks import LONGEST_LINE
from benchlog.testing import block_line

TEXT = (resources.files("benchlog.configs") / "dialects/scpi-stream.toml").read_text()
GOOD = tomllib.loads(TEXT)


def changed(**tables) -> dict:
    document = copy.deepcopy(GOOD)
    for name, keys in tables.items():
        for key, value in keys.items():
            if value is None:
                document[name].pop(key, None)
            else:
                document[name][key] = value
    return document


def problems(document) -> str:
    with pytest.raises(ConfigError) as caught:
        dialect_from_mapping(document, "d", "d.toml")
    return str(caught.value)


def test_the_form_is_read_as_it_is_written() -> None:
    form = load_dialect("scpi-stream").block
    assert form is not None and form.most == 20_000 and not form.stamped
    document = changed(
        block={"fields": ["stamp", "value"], "stamp_s": 1e-9, "order": "little"},
        dialect={"gapless": None},
    )
    form = dialect_from_mapping(document, "d", "d.toml").block
    assert form is not None and form.stamped
    assert (form.order, form.stamp_s) == ("little", 1e-9)


@pytest.mark.parametrize("fields", [["value"], ["stamp", "value"]])
def test_no_more_of_text_is_asked_for_than_a_line_holds(fields) -> None:
    """An honest counter's line was refused, once 20,000 readings waited."""
    form = dialect_from_mapping(
        changed(block={"data": "text", "fields": fields}), "d", "d.toml"
    ).block
    longest = block_line([-1.2345678901234567e-300] * len(fields) * form.most)
    assert len(longest) < LONGEST_LINE
    assert form.most > 1_000


@pytest.mark.parametrize(
    ("tables", "named"),
    [
        ({"dialect": {"gapless": None}}, "gapless"),
        ({"dialect": {"gapless": False}}, "gapless"),
        ({"block": {"data": "real32"}}, "block.data"),
        ({"block": {"order": "middle"}}, "block.order"),
        ({"block": {"fields": []}}, "block.fields"),
        ({"block": {"fields": ["value", "value"]}}, "block.fields"),
        ({"block": {"fields": ["stamp"]}}, "block.fields"),
        ({"block": {"most": 20_001}}, "block.most"),
        ({"block": {"most": 0}}, "block.most"),
        ({"block": {"stamp_s": -1.0}}, "block.stamp_s"),
        ({"block": {"length": 3}}, "block.length"),
        ({"commands": {"stream": None}}, "commands.stream"),
        ({"commands": {"stream_end": None}}, "commands.stream_end"),
        ({"commands": {"block": None}}, "commands.block"),
        ({"reply": {"unit": "s"}}, "block"),
        ({"reply": {"scale": 1e3}}, "block"),
        ({"commands": {"stream": "INITiate?"}}, "commands.stream"),
    ],
)
def test_a_mistake_is_named(tables, named) -> None:
    assert named in problems(changed(**tables))


def test_roles_of_a_stream_need_the_form() -> None:
    document = copy.deepcopy(GOOD)
    del document["block"]
    assert "block" in problems(document)
