"""What these tests share: an empty place to work in, strangers' drivers, files."""

import sys
from pathlib import Path

import pytest

from benchlog.errors import ConfigError

STRANGERS = Path(__file__).parent / "strangers"


@pytest.fixture(autouse=True)
def lonely(tmp_path, monkeypatch):
    """Work in an empty folder, with an empty folder of the user's own settings."""
    here = tmp_path / "here"
    here.mkdir()
    monkeypatch.chdir(here)
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "settings"))
    monkeypatch.setenv("HOME", str(tmp_path))
    return here


@pytest.fixture
def strangers(monkeypatch):
    """Install a stranger's package for the length of a test."""
    monkeypatch.setattr(sys, "dont_write_bytecode", True)
    monkeypatch.syspath_prepend(str(STRANGERS))


@pytest.fixture
def write(lonely):
    """Write a file below the current folder and return its path as text."""

    def do(name, content):
        path = lonely / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content if isinstance(content, bytes) else content.encode())
        return str(path)

    return do


@pytest.fixture
def problems_of():
    """Return the problems that a loader finds, as {key: problem}."""

    def do(load, *args):
        with pytest.raises(ConfigError) as caught:
            load(*args)
        found = {problem.key: problem for problem in caught.value.problems}
        assert len(found) == len(caught.value.problems), "a key was reported twice"
        return found

    return do
