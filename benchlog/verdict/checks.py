"""Which of several reference checks of one counter rules, and how they agree.

The newest rules, with one exception: where its U is more than ten times that of an
older check that still holds and agrees with it, the older one goes on ruling; a quick
or poorly wired check takes nothing away from a good one. Two checks agree when they
differ by no more than their U together, sqrt(U1^2 + U2^2) (JCGM 100:2008, 5.1.2, for
independent figures). A check that contradicts the one that ruled ends it and all
before it: the time base may have moved, and what was found then is no longer known to
hold, also when the newer check has run out. (Ten: our rule. At ten times the U nothing
is learned of a time base that agrees: their weighted mean would move by a hundredth.)
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from benchlog.model import InstrumentSpec, ReferenceCheck
from benchlog.units import format_ppm, format_u_ppm, iso_utc
from benchlog.verdict.timebase import aged_u_ppm

MUCH_WORSE: Final = 10.0
"""From this ratio of U on a newer check that agrees does not replace an older one."""
_COVERAGE: Final = 2.0


@dataclass(frozen=True, slots=True)
class Beside:
    """A new check beside the one that ruled until then.

    Parameters
    ----------
    older : ReferenceCheck
        Which ruled when the new one was made.
    older_u_ppm, newer_u_ppm : float
        Expanded (95 %), the older one's with the ageing since then.
    agrees, in_use : bool
        Whether they differ by no more than their U together; whether the newer rules.

    """

    older: ReferenceCheck
    older_u_ppm: float
    newer_u_ppm: float
    difference_ppm: float
    agrees: bool
    in_use: bool

    @property
    def text(self) -> str:
        """Say it to a person; empty where there is nothing to know."""
        old = f"the check of {iso_utc(self.older.at_utc_ns)} ("
        old += f"{format_ppm(self.older.offset_ppm, self.older_u_ppm)} +- "
        old += f"{format_u_ppm(self.older_u_ppm)} ppm)"
        if not self.agrees:
            together = math.hypot(self.older_u_ppm, self.newer_u_ppm)
            return (
                f"CONTRADICTS {old} by {format_ppm(self.difference_ppm, together)} "
                f"ppm, {format_u_ppm(together)} is what both allow: the time base may "
                "have moved, or one of them was wired wrongly; the newest is used from "
                "now on, check again before you rely on either"
            )
        if self.in_use:
            return ""
        ratio = self.newer_u_ppm / self.older_u_ppm
        return (
            f"THIS ONE IS NOT USED: {old} agrees, still holds and is {ratio:,.0f} "
            "times finer, so it goes on correcting every run (void its run to end that)"
        )


def ruling(
    spec: InstrumentSpec | None, checks: Sequence[ReferenceCheck], at_utc_ns: int
) -> ReferenceCheck | None:
    """Return the check that rules at a time, None where none holds.

    `checks` are those of one instrument that were not voided, the newest last; `spec`
    may state the ageing that is added to each. For the rule see the module.
    """
    standing: list[ReferenceCheck] = []
    for check in checks:
        if check.at_utc_ns > at_utc_ns:
            break
        ruler = _choose(spec, standing, check.at_utc_ns)
        if ruler is not None and not beside(spec, ruler, check).agrees:
            standing.clear()
        standing.append(check)
    return _choose(spec, standing, at_utc_ns)


def ruling_or_stale(
    spec: InstrumentSpec | None, checks: Sequence[ReferenceCheck], at_utc_ns: int
) -> ReferenceCheck | None:
    """Return the check that rules, else the newest, which then holds no more."""
    found = ruling(spec, checks, at_utc_ns)
    return found or next(reversed(checks), None)


def beside(
    spec: InstrumentSpec | None, older: ReferenceCheck, newer: ReferenceCheck
) -> Beside:
    """Hold a newer check against the one that ruled when it was made."""
    u_old = _COVERAGE * aged_u_ppm(spec, older, newer.at_utc_ns)
    u_new = _COVERAGE * newer.u_ppm
    apart = newer.offset_ppm - older.offset_ppm
    agrees = abs(apart) <= math.hypot(u_old, u_new)
    in_use = not agrees or u_new <= MUCH_WORSE * u_old
    return Beside(older, u_old, u_new, apart, agrees, in_use)


def _choose(
    spec: InstrumentSpec | None, standing: Sequence[ReferenceCheck], at_utc_ns: int
) -> ReferenceCheck | None:
    """Return the newest that holds then and is not much worse than one before it."""
    ruler, best = None, math.inf
    for check in standing:
        if not check.at_utc_ns <= at_utc_ns <= check.valid_until_utc_ns:
            continue
        u_ppm = aged_u_ppm(spec, check, at_utc_ns)
        if u_ppm <= MUCH_WORSE * best:
            ruler, best = check, u_ppm
    return ruler
