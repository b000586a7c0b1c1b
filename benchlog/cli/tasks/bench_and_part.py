"""What bench and part are meant: as typed, as described, else as remembered."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

from benchlog.catalogue import described_part, read_defaults
from benchlog.cli.options import DEMO_PART
from benchlog.cli.printing import say
from benchlog.cli.tasks.planning import part_of
from benchlog.errors import UsageError
from benchlog.model import Kind, Part
from benchlog.units import (
    as_stated,
    format_frequency,
)

_WAYS: Final = {
    "bench": "Give --bench; `benchlog bench new` makes one, and `benchlog defaults "
    "--bench B` keeps it for the next time",
    "part": "Give --part, or describe it: --nominal 12MHz --tolerance 20ppm; `benchlog "
    "parts new` makes one, and `benchlog defaults --part P` keeps it for the next time",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class BenchAndPart:
    """A bench by name or path, and a part by name, by path or itself."""

    bench: str | None = None
    part: str | Part | None = None


def described(typed: Mapping[str, Any]) -> dict[str, Any]:
    """Return what was typed with the part that `--nominal` describes, if it does.

    Raises UsageError where the words describe none, or --part names one, too.
    """
    rest = dict(typed)
    words = {name: rest.pop(name) for name in ("nominal", "tolerance", "kind")}
    if all(word is None for word in words.values()):
        return rest
    if rest.get("part") is not None:
        raise UsageError("give --part or --nominal, not both: either names the part")
    if words["nominal"] is None or words["tolerance"] is None:
        raise UsageError(
            "a part is described by --nominal with --tolerance, and --kind if you "
            "know it: --nominal 12MHz --tolerance 20ppm --kind quartz"
        )
    kind = Kind(words["kind"] or Kind.OTHER)
    part = described_part(words["nominal"], words["tolerance"], kind)
    tell_of(part)
    return {**rest, "part": part}


def measured_with(typed: Mapping[str, Any]) -> dict[str, Any]:
    """Return what was typed with a bench and a part, remembered ones if need be.

    Raises UsageError when one of them is named nowhere.
    """
    rest = described(typed)
    found = recalled(bench=rest["bench"], part=rest["part"])
    required(bench=found.bench, part=found.part)
    return {**rest, "bench": found.bench, "part": found.part}


def recalled(*, bench: str | None, part: str | Part | None) -> BenchAndPart:
    """Return these, and your defaults for what is None; a line tells of those."""
    if bench is not None and part is not None:
        return BenchAndPart(bench=bench, part=part)
    kept = read_defaults()
    own_bench = kept.bench if bench is None else None
    own_part = kept.part if part is None else None
    _tell_defaults(own_bench, own_part)
    return BenchAndPart(bench=bench or own_bench, part=part or own_part)


def recalled_bench(bench: str | None) -> str:
    """Return the bench, else your default, which a line tells. Raises UsageError."""
    if bench is None:
        bench = read_defaults().bench
        _tell_defaults(bench, None)
    required(bench=bench)
    assert bench is not None
    return bench


def simulated_part(typed: Mapping[str, Any]) -> Part:
    """Return the part of a simulated device: named, described, or the usual one."""
    return part_of(described(typed)["part"] or DEMO_PART)


def required(**named: object) -> None:
    """Raise UsageError that tells how to name what is None."""
    for name, value in named.items():
        if value is None:
            raise UsageError(f"which {name}? {_WAYS[name]}")


def _tell_defaults(bench: str | None, part: str | None) -> None:
    named = {"bench": bench, "part": part}
    said = ", ".join(f"{name} {value}" for name, value in named.items() if value)
    if said:
        whose = "your defaults" if bench and part else "your default"
        say(f"{said} ({whose}; change: benchlog defaults)")


def tell_of(part: Part) -> None:
    """Tell what a described part is, and where nothing can be judged of it."""
    from benchlog.verdict.run.part_law import part_law

    limits = part.limits
    at = f"{as_stated(limits.reference_c)} +-{as_stated(limits.reference_band_c)} C"
    nominal = format_frequency(part.nominal_hz)
    say(f"part {part.id}: {nominal} +-{as_stated(limits.tolerance_ppm)} ppm at {at}")
    if part_law(part) is None:
        kind = f"kind {part.kind}: how it follows temperature is not known, so"
        hint = "; --kind quartz knows a law" if part.kind is Kind.OTHER else ""
        say(f"{kind} nothing is judged from readings outside {at}{hint}")
