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
from typing import Final

from benchlog.errors import DataError
from benchlog.model import TrimRange

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
CLOSE: Final = 4.0
"""Codes within this many standard uncertainties of the best are too close to call."""


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

    Only codes within the safe intervals are ever asked for. A code that ran faster than
    `fastest_ppm` closes its interval beyond it.
    """

    def __init__(self, trim: TrimRange, start: int | None = None) -> None:
        self.trim = trim
        self._bounds = [list(pair) for pair in trim.safe]
        low, high = trim.safe[0]
        self.start = (low + high) // 2 if start is None else start
        if not any(a <= self.start <= b for a, b in trim.safe):
            raise DataError(
                f"code {self.start} is not within the safe codes "
                + ", ".join(f"{a} to {b}" for a, b in trim.safe)
            )
        self._found: defaultdict[int, list[tuple[float, float]]] = defaultdict(list)
        self._coarse = self._first_codes()
        self.steps = 0

    # --- asking and telling -------------------------------------------------------

    def next_code(self) -> int | None:
        """Return the code to measure next; None when the best one is known."""
        while self._coarse:
            code = self._coarse.pop(0)
            if code not in self._found and self._allowed(code):
                return code
        for look in (self._promising, self._beside_the_best, self._too_close):
            if (found := look()) is not None:
                return found
        return None

    def tell(self, code: int, offset_ppm: float, u_ppm: float) -> None:
        """Take in what a code gave. Raises DataError when it is no number."""
        if not (math.isfinite(offset_ppm) and math.isfinite(u_ppm)):
            raise DataError(f"code {code} gave no finite offset")
        self._found[code].append((offset_ppm, u_ppm))
        self.steps += 1
        fastest = self.trim.fastest_ppm
        if fastest is not None and offset_ppm > fastest:
            self._close_beyond(code)

    @property
    def table(self) -> tuple[CodeResult, ...]:
        """What every measured code gave, in the order of codes."""
        return tuple(self._result(code) for code in sorted(self._found))

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
        codes = {self.start}
        for low, high in self.trim.safe:
            share = max(3, round(COARSE * (high - low + 1) / whole))
            width = high - low
            codes |= {low + round(width * k / (share - 1)) for k in range(share)}
        return sorted(codes, key=lambda code: (abs(code - self.start), code))

    def _allowed(self, code: int) -> bool:
        """Whether a code lies in a safe interval and is not foretold to be too fast."""
        low, high = self._interval_of(code)
        if not low <= code <= high:
            return False
        fastest = self.trim.fastest_ppm
        points = self._points(low, high)
        if fastest is None or len(points) < 2:
            return True
        return self._foretold(points, code) <= fastest

    def _close_beyond(self, code: int) -> None:
        bounds = next(b for b in self._bounds if b[0] <= code <= b[1])
        slower = [
            p.code
            for p in self._points(*bounds)
            if p.offset_ppm <= (self.trim.fastest_ppm or 0.0)
        ]
        if slower and min(slower, key=lambda c: abs(c - code)) > code:
            bounds[0] = code + 1
        elif slower:
            bounds[1] = code - 1

    # --- the search ------------------------------------------------------------------

    def _promising(self) -> int | None:
        """Return the unmeasured code that could still beat the best one."""
        mistrust = TRUST * self._roughness()
        target = abs(self.best.offset_ppm)
        chosen, lowest = None, target
        for low, high in self._bounds:
            points = self._points(low, high)
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
        best, wander = self.best, WANDER * (self.step_ppm or 0.0)
        rivals = [
            result
            for result in self.table
            if abs(result.offset_ppm) - abs(best.offset_ppm)
            <= CLOSE * math.hypot(result.u_ppm, best.u_ppm) + wander
        ]
        open_ones = [r for r in rivals if r.times < REPEATS]
        if len(rivals) < 2 or not open_ones:
            return None
        return min(open_ones, key=lambda r: (r.times, abs(r.offset_ppm))).code

    # --- what was found ---------------------------------------------------------------

    def _result(self, code: int) -> CodeResult:
        times = len(self._found[code])
        found = self._found[code][-LATEST:]
        n = len(found)
        mean = math.fsum(offset for offset, _ in found) / n
        u = math.sqrt(math.fsum(u * u for _, u in found)) / n
        return CodeResult(code, mean, u, times)

    def _points(self, low: int, high: int) -> list[CodeResult]:
        return [self._result(c) for c in sorted(self._found) if low <= c <= high]

    def _intervals(self) -> list[list[CodeResult]]:
        return [self._points(low, high) for low, high in self.trim.safe]

    def _interval_of(self, code: int) -> list[int]:
        for bounds, (low, high) in zip(self._bounds, self.trim.safe, strict=True):
            if low <= code <= high:
                return bounds
        return [1, 0]

    @staticmethod
    def _foretold(points: Sequence[CodeResult], code: int) -> float:
        """Return the offset at `code` on the straight lines through `points`."""
        right = next((i for i, p in enumerate(points) if p.code > code), len(points))
        at = min(max(right, 1), len(points) - 1)
        a, b = points[at - 1], points[at]
        share = (code - a.code) / (b.code - a.code)
        return a.offset_ppm + share * (b.offset_ppm - a.offset_ppm)
