"""A second series at a longer gate, where a counter's readings alone do not tell."""

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from benchlog.cli.printing import say
from benchlog.units import format_duration

if TYPE_CHECKING:
    from benchlog.clock import Clock
    from benchlog.model import Identity, InstrumentSpec, Sample
    from benchlog.verdict.run.counter.seen_counting import SeenCounting


def told_by_longer_gate(
    spec: "InstrumentSpec",
    identity: "Identity | None",
    samples: "Sequence[Sample]",
    seen: "SeenCounting | None",
    clock: "Clock",
) -> tuple[str, ...]:
    """Read once more at four times the gate; return what the scatter tells, if it does.

    Only where the gate can be set, and `seen` leaves open what makes readings scatter.
    The counter has the gate of its bench file again afterwards.
    """
    from benchlog.recorder.instruments.instrument_check import check_instrument
    from benchlog.verdict.run.counter.longer_gate import (
        LONGER,
        readings_at,
        scatter_fall,
    )

    settable = identity is not None and "gate_s" in identity.settings
    if seen is None or not settable or not seen.is_open:
        return ()
    gate_s = LONGER * seen.gate_s
    if not (wanted := readings_at(gate_s)):
        return ()
    say(f"{spec.name}: {wanted} readings more, at a gate of {format_duration(gate_s)}")
    longer = replace(spec, options={**spec.options, "gate_s": gate_s})
    again = check_instrument(longer, clock, wanted=lambda _first: wanted)
    check_instrument(spec, clock)  # its gate is set when it is opened
    found = scatter_fall(samples, again.samples, spec.counts)
    return () if found is None else (found.text,)
