"""Part and bench as a run's snapshot recorded them.

What a snapshot lacks, an old one or a damaged one, is missing here too: no error.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, fields
from typing import Any

from benchlog.model.bench import InstrumentSpec, PositionSpec, ReferenceSpec


@dataclass(frozen=True, slots=True)
class RecordedPart:
    """Which part a run was begun with; its verdict may rest on another by now."""

    id: str | None = None
    nominal_hz: float | None = None


@dataclass(frozen=True, slots=True)
class RecordedBench:
    """Instruments by name, positions, and what a reference check had to go by.

    They are as they were when the run began. Dialects in the options of instruments
    stay plain mappings.
    """

    instruments: Mapping[str, InstrumentSpec] = field(default_factory=dict)
    positions: tuple[PositionSpec, ...] = ()
    reference: ReferenceSpec | None = None

    def position(self, name: str) -> PositionSpec | None:
        """Return the position of that name; None where it was not recorded."""
        return next((one for one in self.positions if one.name == name), None)


def recorded_part(plain: object) -> RecordedPart:
    """Read the part of a snapshot; of what is no part, nothing is known."""
    known = _known(RecordedPart, plain) if isinstance(plain, Mapping) else {}
    return RecordedPart(**known)


def recorded_bench(plain: object) -> RecordedBench:
    """Read the bench of a snapshot; empty where `plain` is no bench."""
    if not isinstance(plain, Mapping):
        return RecordedBench()
    instruments = plain.get("instruments")
    specs = instruments if isinstance(instruments, Mapping) else {}
    positions = plain.get("positions")
    reference = plain.get("reference")
    return RecordedBench(
        instruments={
            name: _instrument(name, spec)
            for name, spec in specs.items()
            if isinstance(spec, Mapping)
        },
        positions=tuple(
            PositionSpec(**{"frequency": "", **_known(PositionSpec, one)})
            for one in (positions if isinstance(positions, Iterable) else ())
            if isinstance(one, Mapping) and "name" in one
        ),
        reference=ReferenceSpec(**_known(ReferenceSpec, reference))
        if isinstance(reference, Mapping) and "counter" in reference
        else None,
    )


def _instrument(name: str, plain: Mapping[str, Any]) -> InstrumentSpec:
    known = {"driver": "", **_known(InstrumentSpec, plain), "name": name}
    known["options"] = known.get("options") or {}
    return InstrumentSpec(**known)


def _known(cls: type, plain: Mapping[str, Any]) -> dict[str, Any]:
    return {f.name: plain[f.name] for f in fields(cls) if f.name in plain}
