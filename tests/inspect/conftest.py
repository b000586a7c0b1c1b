"""The bench that a lot is inspected on."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from lot_shop import HURRIED_GATE_S, HURRIED_SCALE, Shop, a_shop


@pytest.fixture
def two(tmp_path: Path) -> Iterator[Shop]:
    """A bench with two positions, a counter each; devices at both."""
    with a_shop(tmp_path, second=True) as found:
        found.bench.insert("B", -4.0)
        yield found


@pytest.fixture
def inputs(tmp_path: Path) -> Iterator[Shop]:
    """A bench with one counter, which has a position at each of its inputs."""
    with a_shop(tmp_path, one_counter=True) as found:
        found.bench.insert("B", -4.0)
        yield found


@pytest.fixture
def hurried(tmp_path: Path) -> Iterator[Shop]:
    """A bench where minutes take a second or two, and give few readings."""
    with a_shop(tmp_path, HURRIED_GATE_S, HURRIED_SCALE) as found:
        yield found


@pytest.fixture
def shop(tmp_path: Path) -> Iterator[Shop]:
    with a_shop(tmp_path) as found:
        yield found
