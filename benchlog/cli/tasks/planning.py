"""From what was typed to run plans: which device sits where, for how long."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Final

from benchlog import registry
from benchlog.catalogue import load_bench, load_part
from benchlog.driver import require_options
from benchlog.errors import UsageError
from benchlog.model import (
    EDGE,
    Bench,
    InstrumentSpec,
    Part,
    Purpose,
    RunPlan,
    device_id_fault,
)
from benchlog.units import printable
from benchlog.version import __version__

LEAST_READINGS: Final = 10
MOST_READINGS: Final = 300
MOST_S: Final = 300.0
"""Without a length: until the verdict is clear, within these bounds."""


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasureRequest:
    """A measurement as it was typed; devices and positions are paired in order."""

    bench: str
    part: str | Part
    devices: tuple[str, ...]
    positions: tuple[str, ...] = ()
    readings: int | None = None
    for_s: float | None = None
    operator: str | None = None
    note: str | None = None
    lot: str | None = None
    load_pf: float | None = None
    supply_v: float | None = None
    gate_s: float | None = None
    over_temperature: bool = False
    alone: bool = False


def plans_of(request: MeasureRequest) -> tuple[RunPlan, ...]:
    """Return one plan for each device.

    Raises UsageError when devices, positions and length do not fit together,
    NotFoundError and ConfigError for what the catalogue cannot give.
    """
    if request.readings is not None and request.for_s is not None:
        raise UsageError("give --readings or --for, not both: either one ends the run")
    part = part_of(request.part)
    bench = load_bench(request.bench)
    pairs = pair(request.devices, request.positions, bench)
    if request.gate_s is not None:
        bench = with_gate(bench, tuple(pairs), request.gate_s)
    plan = RunPlan(
        purpose=Purpose.MEASURE,
        device="",
        part=part,
        position="",
        bench=bench,
        lot=request.lot,
        operator=request.operator or "",
        note=request.note or "",
        load_pf=request.load_pf,
        supply_v=request.supply_v,
        over_temperature=request.over_temperature,
        alone=request.alone,
        software=f"benchlog {__version__}",
    )
    plan = with_length(plan, request.readings, request.for_s)
    return tuple(
        replace(plan, device=device, position=position)
        for position, device in pairs.items()
    )


def part_of(named: str | Part) -> Part:
    """Return the part itself, or the one of this name or path."""
    return named if isinstance(named, Part) else load_part(named)


def with_length(plan: RunPlan, readings: int | None, for_s: float | None) -> RunPlan:
    """Return the plan with the length that was asked for, else until it is clear."""
    if readings is None and for_s is None:
        return replace(
            plan,
            until_clear=True,
            min_readings=LEAST_READINGS,
            max_readings=MOST_READINGS,
            max_s=MOST_S,
        )
    return replace(plan, max_readings=readings, max_s=for_s)


def pair(
    devices: tuple[str, ...], positions: tuple[str, ...], bench: Bench
) -> Mapping[str, str]:
    """Return the device at each position. Raises UsageError when that is not clear."""
    known = [position.name for position in bench.positions]
    listed = ", ".join(known) or "none"
    if not devices:
        raise UsageError(
            "which device? Give its id with --device, as it is written on it"
        )
    for device in devices:
        if fault := device_id_fault(device):
            raise UsageError(f"{printable(device)[:60]!r} is no device id: {fault}")
    if not positions and len(devices) == 1 and len(known) == 1:
        positions = (known[0],)
    if len(positions) != len(devices):
        raise UsageError(
            f"{len(devices)} devices and {len(positions)} positions were given; pair "
            f"each --device with a --position (bench {bench.name!r} has {listed})"
        )
    unknown = [name for name in positions if name not in known]
    if unknown:
        raise UsageError(
            f"bench {bench.name!r} has no position {unknown[0]!r}; it has {listed}"
        )
    for what, given in (("position", positions), ("device", devices)):
        twice = next((name for name in given if given.count(name) > 1), None)
        if twice is not None:
            raise UsageError(f"{what} {twice!r} was given twice; each can be used once")
    return dict(zip(positions, devices, strict=True))


def require_readings(bench: Bench, positions: Iterable[str], command: str) -> None:
    """Refuse positions that are measured by their pulses. Raises UsageError."""
    for place in bench.positions:
        spec = bench.instruments[place.frequency]
        if place.name in positions and spec.quantity == EDGE:
            raise UsageError(
                f"position {place.name!r} is measured by the pulses of "
                f"{place.frequency!r}, which takes minutes: `{command}` needs a "
                "counter there; `measure` and `soak` judge pulses"
            )


def with_gate(bench: Bench, positions: tuple[str, ...], gate_s: float) -> Bench:
    """Return the bench with another gate at the counters of these positions.

    Raises UsageError when a counter's driver has no gate to set, ConfigError when it
    does not take this one.
    """
    counters = {p.frequency for p in bench.positions if p.name in positions}
    changed = {
        name: _gated(spec, gate_s, bench) if name in counters else spec
        for name, spec in bench.instruments.items()
    }
    return replace(bench, instruments=changed)


def _gated(spec: InstrumentSpec, gate_s: float, bench: Bench) -> InstrumentSpec:
    declared = registry.load(spec.driver).options
    if "gate_s" not in {option.name for option in declared}:
        raise UsageError(
            f"instrument {spec.name!r} (driver {spec.driver}) sets its own gate; leave "
            "--gate-s out"
        )
    options = {**spec.options, "gate_s": gate_s}
    prefix = f"--gate-s for instruments.{spec.name}"
    require_options(declared, options, bench.file or bench.name, prefix)
    return replace(spec, options=options)
