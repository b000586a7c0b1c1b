"""Which of two devices is steadier: Allan deviations at the gate.

An F test of the scatters about a line takes slow movement, of which a run has a few
swings at most, for that many independent readings. What one reading differs from the
next by has the degrees of freedom that are stated, whichever noise it is. Where a run
moves slowly, at the gate already or clearly beyond it, which device is steadier depends
on the averaging time, and no word is given.
"""

from dataclasses import dataclass
from typing import Final

from benchlog.analysis.pairing import Pairs, Ratio, ratio_apart, ratio_paired
from benchlog.analysis.stability.gate_scatter import gate_scatter
from benchlog.analysis.stats import RunStats
from benchlog.verdict.run.jitter import Scatter, moves_slowly

_SAME_GATE: Final = 0.05  # our rule: scatter changes with the gate
_FEWEST: Final = 4  # our rule: fewer readings show no scatter


@dataclass(frozen=True, slots=True, kw_only=True)
class Steadiness:
    """Scatter of B against A; `a_slow`, `b_slow`: which of them moves slowly."""

    ratio: Ratio | None
    a_slow: bool
    b_slow: bool

    @property
    def told(self) -> int:
        """Return 1 where B scatters more, -1 where less, 0 where nothing is told."""
        ratio = self.ratio
        if self.a_slow or self.b_slow or ratio is None:
            return 0
        return int(ratio.low > 1.0) - int(ratio.high < 1.0)


def steadiness(a: RunStats, b: RunStats, pairs: Pairs | None = None) -> Steadiness:
    """Return how the scatter of B compares with that of A.

    `pairs` are readings of both at the same time, where they were measured so. No ratio
    where gates differ, below 4 readings, or where nothing scatters.
    """
    return Steadiness(ratio=_ratio(a, b, pairs), a_slow=is_slow(a), b_slow=is_slow(b))


def is_slow(stats: RunStats) -> bool:
    """Return whether a run moves slowly, as far as its readings tell."""
    gate = gate_scatter(stats)
    if gate is None or stats.jitter_ppm_rms is None or stats.n < _FEWEST:
        return False
    line = Scatter(stats.jitter_ppm_rms, stats.n - 2)
    return gate.slow or moves_slowly(line, Scatter(gate.ppm, gate.freedom))


def _ratio(a: RunStats, b: RunStats, pairs: Pairs | None) -> Ratio | None:
    if not a.gate_s or not b.gate_s or abs(b.gate_s / a.gate_s - 1) > _SAME_GATE:
        return None
    a_gate, b_gate = gate_scatter(a), gate_scatter(b)
    if a_gate is None or b_gate is None or min(a.n, b.n) < _FEWEST:
        return None
    # that of the quicker noise, for both: chance makes one of two alike look slower
    per_pair = min(a_gate.per_pair, b_gate.per_pair)
    if pairs is not None:
        found = ratio_paired(pairs, per_pair)
        if found is not None:
            return found
    if not a_gate.ppm or not b_gate.ppm:
        return None
    a_freedom, b_freedom = (
        max(1.0, per_pair * one.freedom / one.per_pair) for one in (a_gate, b_gate)
    )
    return ratio_apart(a_gate.ppm, a_freedom, b_gate.ppm, b_freedom)
