"""What a body is followed in: means of readings, and where ambient was between gaps."""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from benchlog.analysis.fitting.regression import block_starts, means_between
from benchlog.analysis.fitting.thermal_lag import known_body, stretches

Array = NDArray[np.float64]

FINE: Final = 3_000  # our rule: what memory and time allow
"""Means that a body is followed in; the least lag is a 3,000th of what was measured."""
# of the span of ambient, from one mean to the next; our rule: less is a ramp
_JUMP: Final = 0.01
_SHARP: Final = 8.0  # times the usual change; our rule: larger than chance makes it
_BESIDE: Final = 0.2  # of the span of ambient, beside one jump; our rule: it is alone
_JUMPS: Final = 20  # our rule: bounds the further unknowns; the largest jumps are taken


@dataclass(frozen=True, slots=True)
class BodyMeans:
    """Means of the readings, and where unbroken stretches of them begin."""

    t_s: Array
    ambient_c: Array
    ppm: Array
    starts: NDArray[np.int64]

    @property
    def measured_s(self) -> float:
        """How long was measured, gaps taken off."""
        gaps_s = self.t_s[self.starts[1:]] - self.t_s[self.starts[1:] - 1]
        return float(self.t_s[-1] - self.t_s[0] - gaps_s.sum())

    @property
    def spacing_s(self) -> float:
        """From one mean to the next, on average."""
        return self.measured_s / len(self.t_s)

    def known(self, lag_s: float) -> NDArray[np.bool_]:
        """Mark where a body with such a lag is known in spite of gaps."""
        return known_body(self.t_s, self.ambient_c, self.starts, lag_s)

    def one_jump(self) -> bool:
        """Whether ambient did nothing but jump, once: then it was hardly elsewhere."""
        at = self.jumps()
        if not len(at):
            return False
        before, after = self.ambient_c[: at[0]], self.ambient_c[at[-1] :]
        span_c = float(np.ptp(self.ambient_c))
        moved_c = abs(float(np.median(after)) - float(np.median(before)))
        beside_c = max(float(np.ptp(before)), float(np.ptp(after)))
        return moved_c > (1 - _BESIDE) * span_c and beside_c < _BESIDE * span_c

    def jumps(self) -> NDArray[np.int64]:
        """Return after which means ambient had jumped, the largest jumps only."""
        moved_c = np.abs(np.diff(self.ambient_c))
        least_c = max(
            _JUMP * float(np.ptp(self.ambient_c)), _SHARP * float(np.median(moved_c))
        )
        at = np.flatnonzero(moved_c > least_c)
        return np.sort(at[np.argsort(moved_c[at])[-_JUMPS:]]) + 1


def body_means(columns: tuple[Array, Array, Array]) -> BodyMeans:
    """Average at most `FINE` blocks of readings, none across a gap."""
    n = len(columns[0])
    blocks = block_starts(stretches(columns[0]), n, FINE)
    t_s, ambient, ppm = means_between(columns, blocks)
    return BodyMeans(t_s, ambient, ppm, stretches(t_s))
