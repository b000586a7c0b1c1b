"""Limits, uncertainty budget, decision: what the figures mean for the part; no I/O."""

from benchlog.verdict.run.assessment import Assessment
from benchlog.verdict.run.budget import Budget, BudgetLine
from benchlog.verdict.run.jitter import JitterVerdict
from benchlog.verdict.run.limit import Limit, limit_for
from benchlog.verdict.run.reading_judge import is_clear
from benchlog.verdict.timebase.known_timebase import timebase_for

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
