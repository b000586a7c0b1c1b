"""Reads and checks the TOML files a person writes: parts, benches, sequences, uses."""

import importlib
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
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
    from benchlog.catalogue.described import (
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

_FILES: Final = {
    "Defaults": "defaults",
    "bench_from_mapping": "benches",
    "defaults_file": "defaults",
    "described_id": "described",
    "described_part": "described",
    "device_words": "described",
    "dialect_from_mapping": "dialects",
    "find": "places",
    "find_uses": "uses",
    "list_benches": "benches",
    "list_parts": "parts",
    "list_sequences": "sequences",
    "list_uses": "uses",
    "load_bench": "benches",
    "load_dialect": "dialects",
    "load_part": "parts",
    "load_parts": "parts",
    "load_sequence": "sequences",
    "load_uses": "uses",
    "names": "places",
    "part_from_mapping": "parts",
    "read_defaults": "defaults",
    "require_plausible": "described",
    "sequence_from_mapping": "sequences",
    "uses_from_mapping": "uses",
    "write_defaults": "defaults",
}
"""Where each name is: loaded when used, so that who names a part loads no bench."""
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


def __getattr__(name: str) -> Any:
    if name in _FILES:
        return getattr(importlib.import_module(f"{__name__}.{_FILES[name]}"), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
