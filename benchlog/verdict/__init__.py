"""Limits, uncertainty budget, decision: what the figures mean for the part; no I/O."""

import importlib
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from benchlog.verdict.run.assessment import Assessment
    from benchlog.verdict.run.budget import Budget, BudgetLine
    from benchlog.verdict.run.jitter import JitterVerdict
    from benchlog.verdict.run.limit import Limit, limit_for
    from benchlog.verdict.run.reading_judge import is_clear
    from benchlog.verdict.timebase.known_timebase import timebase_for

_ROOMS: Final = {
    "Assessment": "run.assessment",
    "Budget": "run.budget",
    "BudgetLine": "run.budget",
    "JitterVerdict": "run.jitter",
    "Limit": "run.limit",
    "is_clear": "run.reading_judge",
    "limit_for": "run.limit",
    "timebase_for": "timebase.known_timebase",
}
"""Where each name is: loaded when used, so that a list of runs loads none of it."""
__all__ = [
    "Assessment",
    "Budget",
    "BudgetLine",
    "JitterVerdict",
    "Limit",
    "is_clear",
    "limit_for",
    "timebase_for",
]


def __getattr__(name: str) -> Any:
    if name in _ROOMS:
        return getattr(importlib.import_module(f"{__name__}.{_ROOMS[name]}"), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
