"""TOML files that a person gives: parts, benches, dialects, uses, by their path."""

import dataclasses
import math
import re
import tempfile
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Final

from fuzz.loop import MEMORY, Door

from benchlog.catalogue import find_uses, load_bench, load_dialect, load_part
from benchlog.errors import BenchlogError

CONFIGS: Final = Path(__file__).parents[2] / "configs"
LOADERS: Final = {
    b"part": load_part,
    b"dialect": load_dialect,
    b"use": find_uses,
    b"instruments": load_bench,
}
KEYS: Final = re.compile(rb"^\s*(?:\[\[?[a-z_.]+\]\]?|[a-z_]+\s*=)", re.M)


@contextmanager
def door() -> Iterator[Door]:
    seeds = [path.read_bytes() for path in sorted(CONFIGS.glob("*/*.toml"))]
    words = {found for text in seeds for found in KEYS.findall(text)}
    odd = (
        b'"""',
        b"'''",
        b"[[",
        b"]]",
        b"{a=",
        b"a.b.c.",
        b"(?P<value>",
        b")*",
        b"inf",
    )
    with tempfile.TemporaryDirectory(dir=MEMORY) as folder:
        file = Path(folder) / "given.toml"

        def enter(data: bytes) -> str:
            file.write_bytes(data)
            return "; ".join(
                filter(None, (_loaded(kind, file) for kind in kinds(data)))
            )

        yield Door(name="toml", enter=enter, words=(*sorted(words), *odd), seeds=seeds)


def kinds(data: bytes) -> list[bytes]:
    """Return what a file seems to be; all kinds when it seems none."""
    return [kind for kind in LOADERS if b"[" + kind in data] or list(LOADERS)


def _loaded(kind: bytes, file: Path) -> str:
    try:
        made: Any = LOADERS[kind](str(file))
    except BenchlogError as error:
        said = str(error)
        assert said.isprintable() or "\n" in said
        assert len(said) < 100_000, "a message nobody reads"
        return said.replace(str(file), "")
    for one in made if isinstance(made, tuple) else (made,):
        _all_finite(dataclasses.asdict(one))
    return ""


def _all_finite(value: object) -> None:
    if isinstance(value, float):
        assert math.isfinite(value), value
    elif isinstance(value, Mapping):
        for inner in value.values():
            _all_finite(inner)
    elif isinstance(value, list | tuple):
        for inner in value:
            _all_finite(inner)
