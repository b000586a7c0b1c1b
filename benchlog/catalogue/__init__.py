"""Reads and checks the TOML files a person writes: parts, benches, dialects."""

from benchlog.catalogue.benches import bench_from_mapping, load_bench
from benchlog.catalogue.dialects import dialect_from_mapping, load_dialect
from benchlog.catalogue.parts import (
    list_parts,
    load_part,
    load_parts,
    part_from_mapping,
)
from benchlog.catalogue.places import find, names

__all__ = [
    "bench_from_mapping",
    "dialect_from_mapping",
    "find",
    "list_parts",
    "load_bench",
    "load_dialect",
    "load_part",
    "load_parts",
    "names",
    "part_from_mapping",
]
