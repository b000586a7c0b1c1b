"""Searching the trim code that brings an oscillator closest to nominal.

Nothing is assumed of the register but that most neighbouring codes differ by about a
step: it may run backwards in places, jump, and have several ranges that overlap. What
has been measured is joined by straight lines; how badly those lines foretold the points
between them so far is how much they are trusted. The next code is the one that could
still be the best; the search ends when none could. Then the few that are too close to
call are measured again in turn, which also takes out a slow drift.
"""

import math
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from statistics import linear_regression
from typing import Final, NamedTuple

from benchlog.errors import DataError
from benchlog.model import TrimRange

# All of these: tests/finders/trim_rules.py. Criterion: of 500 simulated chips 99 % find
# the best code, in a median of at most 32 steps, none sets more than 4 too fast codes.
COARSE: Final = 13
"""Codes that the first, even look takes in all."""
TRUST: Final = 5.0
"""How many typical errors of prediction an unmeasured code is given."""
REPEATS: Final = 4
"""How often a code that is too close to call is measured at most."""
LATEST: Final = 3
"""The newest measurements of a code that count: rivals are measured in turn at the end,
so that a drift since the first look does not favour any of them."""
WANDER: Final = 0.2
"""Share of a step by which a chip may have drifted since a code was measured."""
PROBE: Final = 8
"""Codes over which the rise of an unknown register is tried where `fastest_ppm` is
given; below that single odd steps would be taken for it."""
SURE: Final = 1.5
"""How much more than foretold a step towards `fastest_ppm` is taken to bring."""
CLOSE: Final = 4.0
"""Codes within this many standard uncertainties of the best are too close to call."""


class TrimRules(NamedTuple):
    """How far a search looks, what it mistrusts and how often it asks again."""

    coarse: int = COARSE
    trust: float = TRUST
    repeats: int = REPEATS
    latest: int = LATEST
    wander: float = WANDER
    probe: int = PROBE
    sure: float = SURE
    close: float = CLOSE


TRIM_RULES: Final = TrimRules()


@dataclass(frozen=True, slots=True)
class CodeResult:
    """What one code gave: mean of its newest offsets, standard uncertainty, how often
    it was measured."""

    code: int
    offset_ppm: float
    u_ppm: float
    times: int


class TrimSearch:
    """Ask `next_code`, set and measure it, `tell` what came of it, until None.

    Only codes within the safe intervals are ever asked for. Where `fastest_ppm` is
    given it is approached from the slow side: beyond what is measured a code is asked
    for only where the register's rise, and half as much again, stays below. Nothing is
    known of an interval before its first code, nor which way it rises before a second
    one, so these may be too fast; begin with a code that is surely slow.
    """

    def __init__(
        self,
        trim: TrimRange,
        start: int | None = None,
        *,
        rules: TrimRules = TRIM_RULES,
    ) -> None:
        self.trim = trim
        self.rules = rules
        low, high = trim.safe[0]
        self.start = (low + high) // 2 if start is None else start
        if not any(a <= self.start <= b for a, b in trim.safe):
            raise DataError(
                f"code {self.start} is not within the safe codes "
                + ", ".join(f"{a} to {b}" for a, b in trim.safe)
            )
        self._found: defaultdict[int, list[tuple[float, float]]] = defaultdict(list)
        self._results: dict[int, CodeResult] = {}
        self._within = self._by_interval()
        self._coarse = self._first_codes()
        self.steps = 0

    # --- asking and telling -------------------------------------------------------

    def next_code(self) -> int | None:
        """Return the code to measure next; None when the best one is known."""
        for code in self._coarse:
            if code not in self._found and self._allowed(code):
                return code
        looks = (
            self._second,
            self._promising,
            self._beside_the_best,
            self._too_close,
        )
        return next((found for look in looks if (found := look()) is not None), None)

    def tell(self, code: int, offset_ppm: float, u_ppm: float) -> None:
        """Take in what a code gave. Raises DataError when it is no number."""
        if not (math.isfinite(offset_ppm) and math.isfinite(u_ppm)):
            raise DataError(f"code {code} gave no finite offset")
        self._found[code].append((offset_ppm, u_ppm))
        self._results[code] = self._result(code)
        self._within = self._by_interval()
        self.steps += 1

    @property
    def table(self) -> tuple[CodeResult, ...]:
        """What every measured code gave, in the order of codes."""
        return tuple(self._results[code] for code in sorted(self._results))

    @property
    def best(self) -> CodeResult:
        """The code that came closest to nominal. Raises DataError before any did."""
        if not self._found:
            raise DataError("no trim code was measured")
        return min(self.table, key=lambda result: abs(result.offset_ppm))

    @property
    def step_ppm(self) -> float | None:
        """The typical change from one code to the next, None with fewer than two."""
        steps = [
            abs(b.offset_ppm - a.offset_ppm) / (b.code - a.code)
            for points in self._intervals()
            for a, b in pairwise(points)
        ]
        return sorted(steps)[len(steps) // 2] if steps else None

    # --- the first look ---------------------------------------------------------------

    def _first_codes(self) -> list[int]:
        whole = sum(high - low + 1 for low, high in self.trim.safe)
        codes = set()
        for low, high in self.trim.safe:
            share = max(3, round(self.rules.coarse * (high - low + 1) / whole))
            width = high - low
            codes |= {low + round(width * k / (share - 1)) for k in range(share)}
        far = sorted(codes, key=lambda code: (abs(code - self.start), code))
        if self.trim.fastest_ppm is None:
            return [self.start, *far]
        return [
            self.start,
            self.start - self.rules.probe,
            self.start + self.rules.probe,
            *far,
        ]

    def _allowed(self, code: int) -> bool:
        """Whether a code is safe, and not foretold to be too fast."""
        interval = next((s for s in self.trim.safe if s[0] <= code <= s[1]), None)
        if interval is None:
            return False
        fastest = self.trim.fastest_ppm
        if fastest is None:
            return True
        points = self._within[interval]
        if not points:
            return code in {interval[0], self.start}
        if points[0].code < code < points[-1].code:
            return self._foretold(points, code) <= fastest
        end = points[0] if code < points[0].code else points[-1]
        rise = self._rise(points)
        if rise is None:
            return abs(code - end.code) <= self.rules.probe
        change = rise * (code - end.code)
        return (
            end.offset_ppm + change * (self.rules.sure if change > 0 else 1.0)
            <= fastest
        )

    def _rise(self, points: Sequence[CodeResult]) -> float | None:
        """Return ppm per code of an interval, or of another one while it has few."""
        for known in (points, *self._intervals()):
            if len(known) > 1 and known[-1].code - known[0].code >= self.rules.probe:
                codes = [float(p.code) for p in known]
                found = linear_regression(codes, [p.offset_ppm for p in known])
                return found.slope
        return None

    # --- the search ------------------------------------------------------------------

    def _second(self) -> int | None:
        """Return a second code for an interval of which one is known, if one may."""
        alone = [points[0].code for points in self._intervals() if len(points) == 1]
        steps = [sign * d for d in (self.rules.probe, 4, 2, 1) for sign in (1, -1)]
        near = (code + step for code in alone for step in steps)
        return next((code for code in near if self._allowed(code)), None)

    def _promising(self) -> int | None:
        """Return the unmeasured code that could still beat the best one."""
        mistrust = self.rules.trust * self._roughness()
        target = abs(self.best.offset_ppm)
        chosen, lowest = None, target
        for low, high in self.trim.safe:
            points = self._within[low, high]
            if len(points) < 2:
                continue
            measured = [p.code for p in points]
            for code in range(low, high + 1):
                if code in self._found or not self._allowed(code):
                    continue
                far = min(abs(code - other) for other in measured)
                hoped = abs(self._foretold(points, code)) - mistrust * math.sqrt(far)
                if hoped < lowest:
                    chosen, lowest = code, hoped
        return chosen

    def _beside_the_best(self) -> int | None:
        """Return an unmeasured neighbour of the best code: steps are uneven."""
        best = self.best.code
        near = [best + d for d in (1, -1, 2, -2)]
        return next(
            (c for c in near if c not in self._found and self._allowed(c)), None
        )

    def _roughness(self) -> float:
        """Return the typical error of a foretold code, per root of its distance."""
        errors = []
        for points in self._intervals():
            for a, b, c in zip(points, points[1:], points[2:], strict=False):
                share = (b.code - a.code) / (c.code - a.code)
                line = a.offset_ppm + share * (c.offset_ppm - a.offset_ppm)
                far = min(b.code - a.code, c.code - b.code)
                errors.append(abs(b.offset_ppm - line) / math.sqrt(far))
        errors.sort()
        return errors[len(errors) // 2] if errors else 0.0

    def _too_close(self) -> int | None:
        """Return a code that must be measured again to tell it from the best."""
        best, wander = self.best, self.rules.wander * (self.step_ppm or 0.0)
        rivals = [
            result
            for result in self.table
            if abs(result.offset_ppm) - abs(best.offset_ppm)
            <= self.rules.close * math.hypot(result.u_ppm, best.u_ppm) + wander
        ]
        open_ones = [r for r in rivals if r.times < self.rules.repeats]
        if len(rivals) < 2 or not open_ones:
            return None
        return min(open_ones, key=lambda r: (r.times, abs(r.offset_ppm))).code

    # --- what was found ---------------------------------------------------------------

    def _result(self, code: int) -> CodeResult:
        times = len(self._found[code])
        found = self._found[code][-self.rules.latest :]
        n = len(found)
        mean = math.fsum(offset for offset, _ in found) / n
        u = math.sqrt(math.fsum(u * u for _, u in found)) / n
        return CodeResult(code, mean, u, times)

    def _by_interval(self) -> dict[tuple[int, int], list[CodeResult]]:
        """Return what each safe interval gave, in the order of codes."""
        return {
            (low, high): [one for one in self.table if low <= one.code <= high]
            for low, high in self.trim.safe
        }

    def _intervals(self) -> list[list[CodeResult]]:
        return [self._within[low, high] for low, high in self.trim.safe]

    @staticmethod
    def _foretold(points: Sequence[CodeResult], code: int) -> float:
        """Return the offset at `code` on the straight lines through `points`."""
        right = next((i for i, p in enumerate(points) if p.code > code), len(points))
        at = min(max(right, 1), len(points) - 1)
        a, b = points[at - 1], points[at]
        share = (code - a.code) / (b.code - a.code)
        return a.offset_ppm + share * (b.offset_ppm - a.offset_ppm)
