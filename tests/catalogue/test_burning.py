"""`[burn]` in bench files: no id becomes part of a script."""

import json
import tomllib
from pathlib import Path

import pytest

from benchlog.catalogue import bench_from_mapping
from benchlog.errors import ConfigError

BENCH = """
[instruments.room]
driver = "typed-in"
value = 25.0
unit = "Hz"
quantity = "frequency"
[[position]]
name = "A"
frequency = "room"
"""


def burn(**commands):
    lines = [f"{name} = {json.dumps(words)}" for name, words in commands.items()]
    text = "\n".join((BENCH, "[burn]", *lines))
    return bench_from_mapping(tomllib.loads(text), Path("bench.toml")).burn


BURNER = ["burner", "{code}"]


@pytest.mark.parametrize("name", ["command", "power_cycle"])
def test_no_id_becomes_part_of_a_script(name):
    """A chip may be called `$(reboot)`: its id comes from a handler, or a scanner."""
    words = {"command": BURNER, name: ["sh", "-c", "burner {code} --id {device}"]}
    with pytest.raises(ConfigError, match=rf"burn\.{name}.*would run") as caught:
        burn(**words)
    assert '"{device}"' in str(caught.value)


@pytest.mark.parametrize(
    "words",
    [
        ["sh", "-c", "burner --code {code} && burner --verify"],
        ["sh", "-c", 'burner --code "$0" --id "$1"', "{code}", "{device}"],
    ],
)
def test_a_code_may_stand_in_a_script_and_an_id_behind_it(words):
    assert burn(command=words).command == tuple(words)
