"""Reads and checks the TOML files a person writes: parts, benches, sequences, uses."""

from benchlog.catalogue.benches import (
    bench_from_mapping,
    list_benches,
    load_bench,
)
from benchlog.catalogue.defaults import (
    Defaults,
    defaults_file,
    read_defaults,
    write_defaults,
)
from benchlog.catalogue.described_part import (
    described_id,
    described_part,
    device_words,
    require_plausible,
)
from benchlog.catalogue.dialects import dialect_from_mapping, load_dialect
from benchlog.catalogue.parts import (
    list_parts,
    load_part,
    load_parts,
    part_from_mapping,
)
from benchlog.catalogue.places import find, names
from benchlog.catalogue.sequences import (
    list_sequences,
    load_sequence,
    sequence_from_mapping,
)
from benchlog.catalogue.uses import (
    find_uses,
    list_uses,
    load_uses,
    uses_from_mapping,
)

__all__ = [
    "Defaults",
    "bench_from_mapping",
    "defaults_file",
    "described_id",
    "described_part",
    "device_words",
    "dialect_from_mapping",
    "find",
    "find_uses",
    "list_benches",
    "list_parts",
    "list_sequences",
    "list_uses",
    "load_bench",
    "load_dialect",
    "load_part",
    "load_parts",
    "load_sequence",
    "load_uses",
    "names",
    "part_from_mapping",
    "read_defaults",
    "require_plausible",
    "sequence_from_mapping",
    "uses_from_mapping",
    "write_defaults",
]
