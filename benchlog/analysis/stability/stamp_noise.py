"""How much of a stability figure from pulses is the noise of their time stamps.

A pulse's stamp holds the latency of whoever stamped it. That scatter, white from pulse
to pulse, gives an Allan variance of 3 s^2 / tau^2 (NIST SP 1065, white PM) whatever the
clock does: at short averaging times a run of pulses shows the computer.
"""

import math
from dataclasses import dataclass
from typing import Final

from benchlog.analysis.series import Series
from benchlog.analysis.stability.estimation import stability
from benchlog.units import format_duration, three_digits

_PHASE_NOISES: Final = ("white PM", "flicker PM")
# our rule, no source: stamps that make half of the variance rule
_HALF: Final = 2.0  # Allan variance over that of the stamps, up to which they rule


@dataclass(frozen=True, slots=True)
class StampNoise:
    """The scatter of stamps, s rms from pulse to pulse (of two trains: of both).

    `until_s` is the longest averaging time up to which such stamps make half of the
    Allan variance or more; None where what is seen at the shortest is no phase noise.
    """

    rms_s: float
    until_s: float | None

    @property
    def text(self) -> str:
        """Say it to a person."""
        rms = f"{three_digits(self.rms_s * 1e6)} us rms"
        if self.until_s is None:
            return (
                f"from stamps of pulses, which scatter by less than {rms}: no phase "
                "noise rules here, but the latency of this computer is in it"
            )
        return (
            f"stamps scatter by {rms} from pulse to pulse, mostly this computer's "
            f"latency: up to {format_duration(self.until_s)} they make half of the "
            "variance or more, so what is shown there is the stamps' noise and not "
            "the clock's"
        )


def stamp_noise(phase: Series) -> StampNoise:
    """Return what stamps add to the stability of phase data from pulses.

    Raises DataError as `stability` does.
    """
    rows = [row for row in stability(phase).rows if row.value]
    first = rows[0]
    scatter = (first.value or 0.0) * first.tau_s  # sqrt(3) s
    if first.noise is not None and first.noise not in _PHASE_NOISES:
        return StampNoise(scatter / math.sqrt(3.0), None)
    until_s = first.tau_s
    for row in rows[1:]:
        if (row.value or 0.0) ** 2 > _HALF * (scatter / row.tau_s) ** 2:
            break
        until_s = row.tau_s
    return StampNoise(scatter / math.sqrt(3.0), until_s)
