"""A copy of the corpus to work in, on a day that stands still, in UTC."""

import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from frozen.frozen_program import a_day_that_stands_still, copy_of_corpus


@pytest.fixture(autouse=True)
def _utc(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    monkeypatch.setenv("TZ", "UTC")
    time.tzset()
    yield
    monkeypatch.undo()
    time.tzset()


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    copy_of_corpus(tmp_path)
    with a_day_that_stands_still(monkeypatch):
        yield tmp_path
