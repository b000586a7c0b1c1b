"""The control socket of a soak's keeper: a real keeper in a process of its own."""

import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from fuzz.loop import MEMORY, Door
from fuzz.requests import SEEDS, WORDS, Knocker, made
from keeper_door import kept_soak


@contextmanager
def door() -> Iterator[Door]:
    with (
        tempfile.TemporaryDirectory(dir=MEMORY) as folder,
        kept_soak(Path(folder), gate_s=0.05) as kept,
    ):
        knocker = Knocker(kept.path, kept.launched.process, kept.database)
        yield Door(
            name="control", enter=knocker.enter, words=WORDS, seeds=SEEDS, make=made
        )
        assert kept.goes_on() or knocker.begun_anew
