"""Frozen nouns as JSON and back: what a run was begun with.

JSON has no infinity; a float that is not finite is written as the text `inf`, `-inf`
or `nan`. Keys that this version does not know are ignored, so that a run of a later
minor version can still be shown.
"""

import json
import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, fields, is_dataclass
from enum import Enum
from typing import Any, Final

from benchlog.model import (
    AlarmRule,
    Bench,
    Identity,
    InstrumentSpec,
    Kind,
    LearntStability,
    Limits,
    Load,
    OperatingRange,
    Part,
    PositionSpec,
    Purpose,
    QualificationPlan,
    ReferenceSpec,
    RunPlan,
    StepRecord,
    TemperatureLaw,
    Timebase,
    TrimRange,
)
from benchlog.store.snapshot_types import check_number, check_text, known
from benchlog.store.snapshot_types import table as known_table
from benchlog.units import as_stated

Plain = dict[str, Any]
OF_THE_BENCH_FILE: Final = {"command": "program", "webhook": "webhook"}
"""What an alarm rule has in the bench file alone, and the word for it."""
_FEWEST_FREEDOM: Final = 0.1  # our rule: two readings have 1
_MOST_FREEDOM: Final = 1e12  # our rule: more readings than a database holds
_ALLAN_PPM2: Final = (1e-30, 1e18)
"""Our rule: of 1e-21 to 1e3 of the frequency, beyond any source."""
BURN: Final = "burn"
"""What a bench has in its file alone: the programs that make a trim code permanent."""


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

    Programs and webhooks of alarms, and how a code is burned, are left out: they are in
    the bench file alone.
    """
    plain: Plain = to_plain(plan)
    plain["identities"] = to_plain(identities)
    plain["timebase"] = to_plain(timebase)
    if origin is not None:
        plain["origin"] = to_plain(origin)
    for rule in _alarm_rules(plain):
        for name in OF_THE_BENCH_FILE:
            rule.pop(name, None)
    for bench in benches_of(plain):
        bench.pop(BURN, None)
    return plain


@dataclass(frozen=True, slots=True, kw_only=True)
class Thawed:
    """What `freeze` was given: the plan of a run, who measured, the time base."""

    plan: RunPlan
    identities: Mapping[str, Identity]
    timebase: Timebase


def thaw(plain: Plain, purpose: Purpose) -> Thawed:
    """Rebuild what a snapshot was made of; the plan is for a run of `purpose`.

    Raises `UNREADABLE` for what is no snapshot.
    """
    return Thawed(
        plan=run_plan_from(plain, purpose),
        identities=identities_from(plain["identities"]),
        timebase=timebase_from(plain["timebase"]),
    )


def run_plan_from(plain: Plain, purpose: Purpose) -> RunPlan:
    """Rebuild the plan of a snapshot, for a run of `purpose`."""
    plan: Plain = {
        **known(RunPlan, plain),
        "purpose": purpose,
        "part": part_from(plain["part"]),
        "bench": bench_from(plain["bench"]),
        "learnt": learnt_from(plain.get("learnt")),
        "qualification": qualification_from(plain.get("qualification")),
    }
    return RunPlan(**plan)


def basis_from(plain: object) -> tuple[Part, Timebase, dict[str, Identity]]:
    """Return what a run is judged by, from its snapshot; all of it is looked at.

    A bench that an old snapshot lacks is no fault. Raises ValueError naming what is
    wrong, `UNREADABLE` for what is no snapshot at all.
    """
    found = known_table(plain, "the snapshot")
    known(RunPlan, {k: v for k, v in found.items() if k not in _OF_THEIR_OWN})
    if "bench" in found:
        bench_from(found["bench"])
    return (
        part_from(_of(found, "part")),
        timebase_from(_of(found, "timebase")),
        identities_from(_of(found, "identities")),
    )


def qualification_from(plain: object) -> QualificationPlan | None:
    """Rebuild what a run of a rack was part of. Raises `UNREADABLE`."""
    if plain is None:
        return None
    found = known(QualificationPlan, plain)
    finds, devices = found.get("finds", ()), dict(found.get("devices", {}))
    found["finds"] = tuple(check_text("qualification.finds", one) for one in finds)
    found["steps"] = tuple(_step_from(one) for one in found.get("steps", ()))
    found["devices"] = {k: check_text(k, devices[check_text("at", k)]) for k in devices}
    return QualificationPlan(**found)


def _step_from(plain: object) -> StepRecord:
    found = known(StepRecord, plain)
    found["state"] = {
        check_text("step.state", name): check_number(f"step.{name}", value)
        for name, value in found.get("state", {}).items()
    }
    return StepRecord(**found)


def _of(found: Mapping[str, Any], name: str) -> Any:
    if name not in found:
        raise ValueError(f"the snapshot has no {name}")
    return found[name]


_OF_THEIR_OWN: Final = frozenset(
    {"part", "bench", "learnt", "purpose", "qualification"}
)
UNREADABLE: Final = (ValueError, KeyError, TypeError, AttributeError, OverflowError)
"""What comes of a snapshot, or a part of one, that is not as it is written."""


def why_unreadable(error: BaseException) -> str:
    """Put into words what one of `UNREADABLE` tells."""
    said = str(error) or type(error).__name__
    return f"{said} is missing" if isinstance(error, KeyError) else said


def part_from(plain: Plain) -> Part:
    """Rebuild the Part of a snapshot. Raises `UNREADABLE`."""
    fields_of = known(Part, plain)
    limits = known(Limits, plain["limits"])
    limits["tolerance_ppm"] = float(limits["tolerance_ppm"])
    if limits.get("range_c") is not None:
        limits["range_c"] = _span("range_c", limits["range_c"])
    fields_of["kind"] = Kind(plain["kind"])
    fields_of["limits"] = Limits(**limits)
    law = plain.get("temperature")
    fields_of["temperature"] = (
        TemperatureLaw(**known(TemperatureLaw, law)) if law else None
    )
    load = known(Load, plain.get("load") or {})
    if load.get("range_pf") is not None:
        load["range_pf"] = _span("range_pf", load["range_pf"])
    fields_of["load"] = Load(**load)
    trim = plain.get("trim")
    fields_of["trim"] = _trim_from(trim) if trim else None
    for name in ("supply", "control"):
        given = plain.get(name)
        fields_of[name] = _operating_from(given) if given else None
    return Part(**fields_of)


def _operating_from(plain: Plain) -> OperatingRange:
    found = known(OperatingRange, plain)
    return OperatingRange(found["nominal_v"], _span("range_v", found["range_v"]))


def _span(name: str, ends: Sequence[Any]) -> tuple[float, float]:
    low, high = ends
    for end in (low, high):
        check_number(name, end)
    if low > high:
        raise ValueError(f"{name} goes from {as_stated(low)} to {as_stated(high)}")
    return low, high


def _trim_from(plain: Plain) -> TrimRange:
    found = known(TrimRange, plain)
    safe = tuple(_codes(*pair) for pair in found["safe"])
    return TrimRange(**{**found, "safe": safe})


def _codes(low: object, high: object) -> tuple[int, int]:
    if not (isinstance(low, int) and isinstance(high, int) and low <= high):
        raise ValueError("the codes that may be set are no intervals")
    return low, high


def bench_from(plain: Plain) -> Bench:
    """Rebuild the Bench of a snapshot; dialects in options stay plain mappings.

    Raises `UNREADABLE`.
    """
    found = known(Bench, plain)
    found.pop(BURN, None)
    given = known_table(plain.get("instruments", {}), "bench.instruments")
    found["instruments"] = {
        name: InstrumentSpec(**known(InstrumentSpec, spec))
        for name, spec in given.items()
    }
    found["positions"] = tuple(
        PositionSpec(**known(PositionSpec, one)) for one in plain.get("positions", ())
    )
    reference = plain.get("reference")
    found["alarms"] = tuple(_alarm_from(rule) for rule in plain.get("alarms", ()))
    found["reference"] = (
        ReferenceSpec(**known(ReferenceSpec, reference)) if reference else None
    )
    return Bench(**found)


def _alarm_from(plain: Plain) -> AlarmRule:
    found = known(AlarmRule, plain)
    return AlarmRule(**{k: v for k, v in found.items() if k not in OF_THE_BENCH_FILE})


def without_programs(snapshot: str) -> tuple[str, tuple[str, ...]]:
    """Return a snapshot's text without the programs and webhooks of its alarms.

    And what was taken out: `2 programs`, `1 webhook`. What is no snapshot stays.
    """
    try:
        plain = json.loads(snapshot)
    except (ValueError, RecursionError):
        return snapshot, ()
    rules, taken = list(_alarm_rules(plain)), []
    for name, word in OF_THE_BENCH_FILE.items():
        held = [rule for rule in rules if rule.get(name)]
        if held:
            many = len({json.dumps(rule[name]) for rule in held})
            taken.append(f"{many} {word}{'s' * (many > 1)}")
        for rule in held:
            del rule[name]
    burning = [bench.pop(BURN, None) for bench in benches_of(plain)]
    if any(burning):
        taken.append("what burns a code")
    return (json.dumps(plain) if taken else snapshot), tuple(taken)


def _alarm_rules(plain: object) -> Iterator[Plain]:
    """Yield the alarm rules of a snapshot, and of the run that an import was of."""
    for bench in benches_of(plain):
        alarms = bench.get("alarms")
        for rule in alarms if isinstance(alarms, list) else ():
            if isinstance(rule, dict):
                yield rule


def benches_of(plain: object) -> Iterator[Plain]:
    """Yield the bench of a snapshot, and of the run that an import was of."""
    while isinstance(plain, dict):
        bench = plain.get("bench")
        if isinstance(bench, dict):
            yield bench
        for name in ("origin", "run", "snapshot"):
            plain = plain.get(name) if isinstance(plain, dict) else None


def identities_from(plain: Plain) -> dict[str, Identity]:
    """Rebuild the identities of a snapshot, by the instrument's name on the bench.

    Raises `UNREADABLE`.
    """
    given = known_table(plain, "identities")
    return {name: Identity(**known(Identity, one)) for name, one in given.items()}


def timebase_from(plain: Plain) -> Timebase:
    """Rebuild the Timebase of a snapshot. Raises `UNREADABLE`."""
    given = known_table(plain, "timebase")
    found = known(Timebase, {k: v for k, v in given.items() if v is not None})
    if not found.get("degrees_of_freedom", math.inf) >= _FEWEST_FREEDOM:
        raise ValueError("timebase.degrees_of_freedom is none of any figures")
    return Timebase(**found)


def learnt_from(plain: Plain | None) -> LearntStability | None:
    """Rebuild what a run was begun with of a soak; None where it was nothing."""
    if plain is None:
        return None
    found = known(LearntStability, plain)
    for name in ("m", "avar_ppm2", "freedom"):
        found[name] = tuple(found[name])
        for number in found[name]:
            check_number(name, number)
    learnt = LearntStability(**found)
    sizes = {len(learnt.m), len(learnt.avar_ppm2), len(learnt.freedom)}
    if len(sizes) > 1 or len(learnt.m) < 2 or not _are_usable(learnt):
        raise ValueError("no Allan variances of a soak")
    return learnt


def _are_usable(learnt: LearntStability) -> bool:
    """Whether a soak can have them: averaging times in octaves, sane figures."""
    low, high = _ALLAN_PPM2
    return (
        learnt.m == tuple(1 << octave for octave in range(min(len(learnt.m), 63)))
        and all(low <= one <= high for one in learnt.avar_ppm2)
        and all(_FEWEST_FREEDOM <= one <= _MOST_FREEDOM for one in learnt.freedom)
    )


def learnt_of(plain: Plain) -> LearntStability | None:
    """Return the soak that a snapshot rests on; what is none, hides no run."""
    try:
        return learnt_from(plain.get("learnt"))
    except UNREADABLE:
        return None
