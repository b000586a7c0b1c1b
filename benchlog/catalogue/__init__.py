"""Reads and checks the TOML files a person writes: parts, benches, dialects, uses."""

from benchlog.catalogue.benches import (
    bench_from_mapping,
    list_benches,
    load_bench,
)
from benchlog.catalogue.dialects import dialect_from_mapping, load_dialect
from benchlog.catalogue.parts import (
    list_parts,
    load_part,
    load_parts,
    part_from_mapping,
)
from benchlog.catalogue.places import find, names
from benchlog.catalogue.uses import (
    find_uses,
    list_uses,
    load_uses,
    uses_from_mapping,
)

__all__ = [
    "bench_from_mapping",
    "dialect_from_mapping",
    "find",
    "find_uses",
    "list_benches",
    "list_parts",
    "list_uses",
    "load_bench",
    "load_dialect",
    "load_part",
    "load_parts",
    "load_uses",
    "names",
    "part_from_mapping",
    "uses_from_mapping",
]
