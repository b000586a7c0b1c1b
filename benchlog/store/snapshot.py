"""Frozen nouns as JSON and back: what a run was begun with.

JSON has no infinity; a float that is not finite is written as the text `inf`, `-inf`
or `nan`. Keys that this version does not know are ignored, so that a run of a later
minor version can still be shown.
"""

import json
import math
from collections.abc import Mapping
from dataclasses import dataclass, fields, is_dataclass
from enum import Enum
from typing import Any, Final

from benchlog.masking import masked
from benchlog.model import (
    AlarmRule,
    Bench,
    Identity,
    InstrumentSpec,
    Kind,
    LearntStability,
    Limits,
    Load,
    Part,
    PositionSpec,
    Purpose,
    ReferenceSpec,
    RunPlan,
    TemperatureLaw,
    Timebase,
    TrimRange,
)

Plain = dict[str, Any]
OF_THE_BENCH_FILE: Final = {"command": "program", "webhook": "webhook"}
"""What an alarm rule has in the bench file alone, and the word for it."""


def to_plain(value: object) -> Any:
    """Return `value` as what JSON can hold; dataclasses become mappings by field."""
    if is_dataclass(value) and not isinstance(value, type):
        return {f.name: to_plain(getattr(value, f.name)) for f in fields(value)}
    if isinstance(value, Mapping):
        return {str(key): to_plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [to_plain(item) for item in value]
    return _plain_leaf(value)


def _plain_leaf(value: object) -> str | int | float | None:
    if isinstance(value, Enum):
        return _plain_leaf(value.value)
    if isinstance(value, float) and not math.isfinite(value):
        return str(value)
    return value if isinstance(value, str | int | float | None) else str(value)


def told_to_others(snapshot: Mapping[str, object]) -> Plain:
    """Return a snapshot as an export carries it: no password in any address."""
    plain: Plain = to_plain(snapshot)
    bench = plain.get("bench")
    specs = bench.get("instruments") if isinstance(bench, dict) else None
    for spec in specs.values() if isinstance(specs, dict) else ():
        if isinstance(spec, dict) and isinstance(spec.get("address"), str):
            spec["address"] = masked(spec["address"])
    return plain


def dump(value: object) -> str:
    """Return `value` as one line of strict JSON in ASCII; any text survives it."""
    return json.dumps(to_plain(value), ensure_ascii=True, allow_nan=False)


def freeze(
    plan: RunPlan,
    identities: Mapping[str, Identity],
    timebase: Timebase,
    origin: Mapping[str, object] | None = None,
) -> Plain:
    """Return the snapshot of a run; `origin` is where an imported run came from.

    Programs and webhooks of alarms are left out: they are in the bench file alone.
    """
    plain: Plain = to_plain(plan)
    for rule in plain["bench"]["alarms"]:
        for name in OF_THE_BENCH_FILE:
            del rule[name]
    plain["identities"] = to_plain(identities)
    plain["timebase"] = to_plain(timebase)
    if origin is not None:
        plain["origin"] = to_plain(origin)
    return plain


@dataclass(frozen=True, slots=True, kw_only=True)
class Thawed:
    """What `freeze` was given: the plan of a run, who measured, the time base."""

    plan: RunPlan
    identities: Mapping[str, Identity]
    timebase: Timebase


def thaw(plain: Plain, purpose: Purpose) -> Thawed:
    """Rebuild what a snapshot was made of; the plan is for a run of `purpose`.

    Raises KeyError, TypeError or ValueError for what is no snapshot.
    """
    return Thawed(
        plan=run_plan_from(plain, purpose),
        identities=identities_from(plain["identities"]),
        timebase=timebase_from(plain["timebase"]),
    )


def run_plan_from(plain: Plain, purpose: Purpose) -> RunPlan:
    """Rebuild the plan of a snapshot, for a run of `purpose`."""
    plan: Plain = {
        **_known(RunPlan, plain),
        "purpose": purpose,
        "part": part_from(plain["part"]),
        "bench": bench_from(plain["bench"]),
        "learnt": learnt_from(plain.get("learnt")),
    }
    return RunPlan(**plan)


def part_from(plain: Plain) -> Part:
    """Rebuild the Part of a snapshot."""
    known = _known(Part, plain)
    limits = _known(Limits, plain["limits"])
    limits["tolerance_ppm"] = float(limits["tolerance_ppm"])
    if limits.get("range_c") is not None:
        low, high = limits["range_c"]
        limits["range_c"] = (low, high)
    known["kind"] = Kind(plain["kind"])
    known["limits"] = Limits(**limits)
    law = plain.get("temperature")
    known["temperature"] = (
        TemperatureLaw(**_known(TemperatureLaw, law)) if law else None
    )
    known["load"] = Load(**_known(Load, plain.get("load") or {}))
    trim = plain.get("trim")
    known["trim"] = _trim_from(trim) if trim else None
    return Part(**known)


def _trim_from(plain: Plain) -> TrimRange:
    known = _known(TrimRange, plain)
    return TrimRange(**{**known, "safe": tuple((a, b) for a, b in known["safe"])})


def bench_from(plain: Plain) -> Bench:
    """Rebuild the Bench of a snapshot; dialects in options stay plain mappings."""
    known = _known(Bench, plain)
    known["instruments"] = {
        name: InstrumentSpec(**_known(InstrumentSpec, spec))
        for name, spec in plain.get("instruments", {}).items()
    }
    known["positions"] = tuple(
        PositionSpec(**_known(PositionSpec, spec))
        for spec in plain.get("positions", ())
    )
    reference = plain.get("reference")
    known["alarms"] = tuple(_alarm_from(rule) for rule in plain.get("alarms", ()))
    known["reference"] = (
        ReferenceSpec(**_known(ReferenceSpec, reference)) if reference else None
    )
    return Bench(**known)


def _alarm_from(plain: Plain) -> AlarmRule:
    known = _known(AlarmRule, plain)
    return AlarmRule(**{k: v for k, v in known.items() if k not in OF_THE_BENCH_FILE})


def without_programs(snapshot: str) -> tuple[str, tuple[str, ...]]:
    """Return a snapshot's text without the programs and webhooks of its alarms.

    And what was taken out: `2 programs`, `1 webhook`. What is no snapshot stays.
    """
    try:
        plain = json.loads(snapshot)
        rules = [rule for rule in plain["bench"]["alarms"] if isinstance(rule, dict)]
    except (ValueError, TypeError, KeyError, RecursionError):
        return snapshot, ()
    taken = []
    for name, word in OF_THE_BENCH_FILE.items():
        held = [rule for rule in rules if rule.get(name)]
        if held:
            taken.append(f"{len(held)} {word}{'s' * (len(held) > 1)}")
        for rule in held:
            del rule[name]
    return (json.dumps(plain) if taken else snapshot), tuple(taken)


def identities_from(plain: Plain) -> dict[str, Identity]:
    """Rebuild the identities of a snapshot, by the instrument's name on the bench."""
    return {name: Identity(**_known(Identity, one)) for name, one in plain.items()}


def timebase_from(plain: Plain) -> Timebase:
    """Rebuild the Timebase of a snapshot."""
    known = _known(Timebase, plain)
    freedom = known.get("degrees_of_freedom")
    known["degrees_of_freedom"] = math.inf if freedom is None else float(freedom)
    return Timebase(**known)


def learnt_from(plain: Plain | None) -> LearntStability | None:
    """Rebuild what a run was begun with of a soak; None where it was nothing."""
    if plain is None:
        return None
    known = _known(LearntStability, plain)
    for name in ("m", "avar_ppm2", "freedom"):
        known[name] = tuple(known[name])
    learnt = LearntStability(**known)
    sizes = {len(learnt.m), len(learnt.avar_ppm2), len(learnt.freedom)}
    usable = min((*learnt.avar_ppm2, *learnt.freedom, learnt.gate_s, learnt.tau0_s)) > 0
    if len(sizes) > 1 or len(learnt.m) < 2 or not usable:
        raise ValueError("no Allan variances of a soak")
    return learnt


def learnt_of(plain: Plain) -> LearntStability | None:
    """Return the soak that a snapshot rests on; what is none, hides no run."""
    try:
        return learnt_from(plain.get("learnt"))
    except (ValueError, KeyError, TypeError, AttributeError):
        return None


def _known(cls: type, plain: Plain) -> Plain:
    return {f.name: plain[f.name] for f in fields(cls) if f.name in plain}
