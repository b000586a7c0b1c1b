"""Limits, uncertainty budget, decision: what the figures mean for the part; no I/O."""

from benchlog.verdict.assessment import Assessment
from benchlog.verdict.budget import Budget, BudgetLine
from benchlog.verdict.jitter import JitterVerdict
from benchlog.verdict.judge import is_clear
from benchlog.verdict.limits import Limit, limit_for
from benchlog.verdict.timebase import timebase_for

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
