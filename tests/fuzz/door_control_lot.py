"""The control socket of a lot's keeper, with devices that are put in meanwhile."""

import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from fuzz.loop import MEMORY, Door
from fuzz.requests import SEEDS, WORDS, Knocker, made
from lot_shop import a_shop
from lot_table import set_up


@contextmanager
def door() -> Iterator[Door]:
    with (
        tempfile.TemporaryDirectory(dir=MEMORY) as folder,
        a_shop(Path(folder)) as shop,
        pytest.MonkeyPatch.context() as patch,
        set_up(shop, patch, 20) as table,
    ):
        launched = table.launched
        knocker = Knocker(launched.control, launched.process, shop.db)
        yield Door(
            name="control_lot", enter=knocker.enter, words=WORDS, seeds=SEEDS, make=made
        )
        assert table.ask("status").ok
