"""A difference between two runs in words, and as plain values."""

from typing import Any, Final

from benchlog.units import format_ppm, format_u_ppm
from benchlog.verdict.budget import Budget
from benchlog.verdict.compare import Answer, Difference

_SAID: Final = {
    "offset": {Answer.LESS: "runs slower", Answer.MORE: "runs faster"},
    "distance": {
        Answer.LESS: "is closer to nominal",
        Answer.MORE: "is farther from nominal",
    },
    "scatter": {Answer.LESS: "is steadier", Answer.MORE: "is less steady"},
}
_UNCLEAR: Final = {
    "offset": "no difference in offset can be told",
    "distance": "which is closer to nominal cannot be told",
    "scatter": "which is steadier cannot be told",
}


def in_words(found: Difference) -> tuple[str, ...]:
    """Return what can be said of B against A, a sentence each."""
    said = []
    for name, answer in (
        ("offset", found.offset),
        ("distance", found.distance),
        ("scatter", found.scatter),
    ):
        if answer is Answer.UNCLEAR:
            said.append(_UNCLEAR[name])
        else:
            said.append(f"run {found.b.run} {_SAID[name][answer]}")
    return tuple(said)


def delta_text(value: float | None, budget: Budget | None) -> str:
    """Return a difference with its expanded uncertainty."""
    if value is None:
        return "unknown"
    u = None if budget is None else budget.expanded_ppm
    return f"{format_ppm(value, u)} +- {format_u_ppm(u)} ppm"


def difference_document(found: Difference) -> dict[str, Any]:
    """Return a difference as plain values for JSON; unknown is None."""
    ratio = found.ratio
    return {
        "run": found.b.run,
        "against": found.a.run,
        "delta_ppm": found.delta_ppm,
        "u_ppm": None if found.budget is None else found.budget.expanded_ppm,
        "offset": found.offset.value,
        "farther_ppm": found.farther_ppm,
        "farther_u_ppm": None
        if found.farther_budget is None
        else found.farther_budget.expanded_ppm,
        "distance": found.distance.value,
        "jitter_ratio": None
        if ratio is None
        else {"value": ratio.value, "low": ratio.low, "high": ratio.high},
        "scatter": found.scatter.value,
        "paired": found.paired,
        "notes": list(found.notes),
        "text": list(in_words(found)),
    }
