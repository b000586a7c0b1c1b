"""Series of readings that show how a counter counts, beside what it was read for."""

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from benchlog.cli.printing import say
from benchlog.units import format_duration

if TYPE_CHECKING:
    from benchlog.clock import Clock
    from benchlog.model import Identity, InstrumentSpec, Sample
    from benchlog.verdict.run.counter.seen_counting import SeenCounting


def as_in_a_run(
    spec: "InstrumentSpec", samples: "Sequence[Sample]", clock: "Clock"
) -> "Sequence[Sample]":
    """Return readings as they follow each other in a run.

    A counter that streams is read anew, many readings at once: asked for each, it has
    dead time that no run has.
    """
    from benchlog.recorder.instruments.instrument_check import check_instrument
    from benchlog.verdict.run.measuring_advice import quick_readings

    if getattr(spec.options.get("dialect"), "block", None) is None:
        return samples
    read = check_instrument(spec, clock, wanted=quick_readings, blocks=True)
    return read.samples or samples


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

    if seen is None or not seen.is_open or not _is_set(identity):
        return ()
    gate_s = LONGER * seen.gate_s
    if not (wanted := readings_at(gate_s)):
        return ()
    say(f"{spec.name}: {wanted} readings more, at a gate of {format_duration(gate_s)}")
    longer = replace(spec, options={**spec.options, "gate_s": gate_s})
    again = check_instrument(longer, clock, wanted=lambda _first: wanted, blocks=True)
    check_instrument(spec, clock)  # its gate is set when it is opened
    found = scatter_fall(samples, again.samples, spec.counts)
    return () if found is None else (found.text,)


def _is_set(identity: "Identity | None") -> bool:
    """Whether the driver set the gate; that of what only talks is stated."""
    gate = "" if identity is None else identity.settings.get("gate_s", "")
    return bool(gate) and not gate.endswith("(stated)")
