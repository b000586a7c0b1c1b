"""What ambient and the supply did around a step of the frequency."""

from collections import deque
from statistics import median
from typing import Final

KEPT: Final = 256
_OF: Final = 3  # values whose median stands for before and for now
_AMBIENT_C: Final = 0.5
_SUPPLY_V: Final = 0.05
_UNTOLD: Final = "knocked, touched, or a change of its own"


class Around:
    """Feeds on values of a bench's probes; times are monotonic, s."""

    def __init__(self) -> None:
        self._ambient: deque[tuple[float, float]] = deque(maxlen=KEPT)
        self._supply: deque[tuple[float, float]] = deque(maxlen=KEPT)

    def ambient(self, t_s: float, value_c: float) -> None:
        """Take in an ambient temperature."""
        self._ambient.append((t_s, value_c))

    def supply(self, t_s: float, value_v: float) -> None:
        """Take in a supply voltage."""
        self._supply.append((t_s, value_v))

    def ambient_moved(self, since_s: float) -> bool:
        """Whether ambient has changed since then by what may move a source."""
        return _ends(self._ambient, since_s, _AMBIENT_C) is not None

    def cause(self, since_s: float) -> str:
        """Say what changed since then; else what a step may have come from."""
        said = []
        if ends := _ends(self._ambient, since_s, _AMBIENT_C):
            said.append(f"ambient went from {ends[0]:.1f} to {ends[1]:.1f} C")
        if ends := _ends(self._supply, since_s, _SUPPLY_V):
            said.append(f"the supply went from {ends[0]:.2f} to {ends[1]:.2f} V")
        if not said:
            return _UNTOLD
        return f"{' and '.join(said)} around it; if that is not why, {_UNTOLD}"


def _ends(
    values: deque[tuple[float, float]], since_s: float, least: float
) -> tuple[float, float] | None:
    """Return a quantity before a time and now where it has moved; None else."""
    before = [value for t_s, value in values if t_s < since_s][-_OF:]
    after = [value for t_s, value in values if t_s >= since_s]
    if not after:
        return None
    first = median(before) if before else after[0]
    last = median(after[-_OF:])
    return (first, last) if abs(last - first) >= least else None
