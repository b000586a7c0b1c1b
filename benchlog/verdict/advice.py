"""Which gate and how long a counter and its reference need for a given limit.

A reading should be read to a tenth of the limit, so that a single one already tells,
and what it is read by should be known to a quarter of it (4:1); both common practice.
"""

import math
from dataclasses import dataclass
from typing import Final

from benchlog.units import format_duration

LIMITS_PPM: Final = (30.0, 10.0, 1.0, 0.1)
"""Limits that advice is given for when none is asked for."""
GATES_S: Final = (0.01, 0.1, 1.0, 10.0, 100.0)
SHARE: Final = 10.0
_RATIO: Final = 4.0


@dataclass(frozen=True, slots=True)
class Advice:
    """What a limit asks for.

    `gate_s` is None when no gate will do; `fine_enough` is whether the time base is
    known well enough, None when that is not known.
    """

    limit_ppm: float
    gate_s: float | None
    fine_enough: bool | None

    @property
    def text(self) -> str:
        """Say it in a few words."""
        if self.gate_s is None:
            said = "too fine for this counter"
        else:
            said = format_duration(self.gate_s)
        coarse = ", time base too coarse" if self.fine_enough is False else ""
        return f"{self.limit_ppm:g} ppm: {said}{coarse}"


def advise(
    limit_ppm: float, step_ppm: float, gate_s: float, timebase_u_ppm: float | None
) -> Advice:
    """Return the shortest gate that reads a limit well enough.

    Parameters
    ----------
    step_ppm, gate_s : float
        What the counter's last digit is worth at the gate in use; at n times the gate
        it is worth an n-th, for a counter of either kind.
    timebase_u_ppm : float | None
        Standard uncertainty of the time base.

    """
    per_second = step_ppm * gate_s
    wanted = limit_ppm / SHARE
    gate = next((g for g in GATES_S if per_second / g <= wanted), None)
    fine = None
    if timebase_u_ppm is not None:
        fine = _RATIO * 2.0 * timebase_u_ppm <= limit_ppm
    return Advice(limit_ppm, gate, fine)


def pulse_time_s(limit_ppm: float, jitter_s: float, spacing_s: float = 1.0) -> float:
    """Return how long two pulse trains must be compared for a limit.

    Until U is a quarter of the limit, by the slope of two trains of white stamps of
    this rms: u = sqrt(2) sigma sqrt(12 d) / T^1.5, d the spacing.
    """
    wanted = limit_ppm * 1e-6 / _RATIO
    u_at_1_s = math.sqrt(2.0) * jitter_s * math.sqrt(12.0 * spacing_s)
    return float((2.0 * u_at_1_s / wanted) ** (2.0 / 3.0))
