"""Power-law noise of clocks, stepped over any stretch of time at constant cost.

Every process is stepped exactly: the pair (frequency, phase gained) after a step of
any length has the joint distribution the continuous process would have, so gates of a
millisecond and gaps of a week cost the same and need no grid. Levels are stated the
way data sheets state them: the Allan deviation at 1 s that this noise alone would give.

Slopes and levels (IEEE Std 1139, NIST SP 1065), s the Allan deviation at 1 s:

============== ====================== ==========================================
noise          Allan deviation        process
============== ====================== ==========================================
white PM       s / tau                phase error of s/sqrt(3) s at each look
white FM       s / sqrt(tau)          phase walks by s sqrt(dt)
flicker FM     s                      a chain of Lorentzians, one per decade
random-walk FM s sqrt(tau)            frequency walks by s sqrt(3 dt)
============== ====================== ==========================================
"""

import math
import random
from dataclasses import dataclass
from typing import Final

_SLOWEST_PER_S: Final = 1e-7  # a quarter of a year; our rule
_FASTEST_PER_S: Final = 1e4  # shorter than any gate; our rule
_RATIO: Final = 10.0  # derived: see below
"""Spacing of the Lorentzians. Their sum follows 1/f within 2 sech(pi^2 / ln ratio),
5.5 % in power, which the Allan deviation smooths to about 1 %."""


@dataclass(frozen=True, slots=True)
class Noise:
    """Levels as Allan deviation at tau = 1 s (fractional frequency, no unit)."""

    white_pm: float = 0.0
    white_fm: float = 0.0
    flicker_fm: float = 0.0
    random_walk_fm: float = 0.0


class Relaxing:
    """Ornstein-Uhlenbeck frequency: variance `variance`, forgotten at `rate_per_s`.

    It starts at zero, so that an oscillator's stated offset is what it has at first;
    increments, and so the Allan deviation, do not notice.
    """

    __slots__ = ("rate_per_s", "value", "variance")

    def __init__(self, rate_per_s: float, variance: float) -> None:
        self.rate_per_s = rate_per_s
        self.variance = variance
        self.value = 0.0

    def step(self, dt_s: float, rng: random.Random) -> float:
        """Go on by `dt_s`; return the phase gained in seconds.

        Exact joint update of value and integral (D. T. Gillespie, Phys. Rev. E 54
        (1996) 2084); short steps use the series where the closed form cancels.
        """
        u = self.rate_per_s * dt_s
        lost = -math.expm1(-u)
        if u < 1e-3:
            integral = 2 * u**3 / 3 - u**4 / 2
        else:
            integral = 2 * u - 2 * lost - lost * lost
        value_variance = self.variance * lost * (2 - lost)
        covariance = self.variance * lost * lost / self.rate_per_s
        integral_variance = self.variance * integral / self.rate_per_s**2
        gained = self.value * lost / self.rate_per_s
        value_sd = math.sqrt(value_variance)
        pull = covariance / value_sd if value_sd else 0.0
        rest = math.sqrt(max(0.0, integral_variance - pull * pull))
        first, second = rng.gauss(), rng.gauss()
        self.value += -self.value * lost + value_sd * first
        return gained + pull * first + rest * second


class NoiseProcess:
    """The noise of one oscillator from a seed; phase in seconds against ideal."""

    def __init__(self, noise: Noise, rng: random.Random) -> None:
        self.noise = noise
        self._rng = rng
        self._walk = 0.0
        self._chain = _chain(noise.flicker_fm)

    def step(self, dt_s: float) -> float:
        """Go on by `dt_s` (> 0); return the phase gained by all frequency noise, s."""
        gained = 0.0
        if self.noise.white_fm:
            gained += self.noise.white_fm * math.sqrt(dt_s) * self._rng.gauss()
        if self.noise.random_walk_fm:
            gained += self._step_walk(dt_s)
        for link in self._chain:
            gained += link.step(dt_s, self._rng)
        return gained

    def look(self) -> float:
        """Return the phase error of one look at the signal (white PM), in s."""
        if not self.noise.white_pm:
            return 0.0
        return self.noise.white_pm / math.sqrt(3.0) * self._rng.gauss()

    def _step_walk(self, dt_s: float) -> float:
        # Brownian frequency and its integral: variances q dt, q dt^3/3, covariance
        # q dt^2/2, with q = 3 s^2 so that the Allan deviation is s sqrt(tau).
        sd = self.noise.random_walk_fm * math.sqrt(3.0 * dt_s)
        first, second = self._rng.gauss(), self._rng.gauss()
        gained = self._walk * dt_s + sd * dt_s * (first / 2 + second / math.sqrt(12.0))
        self._walk += sd * first
        return gained


def _chain(level: float) -> tuple[Relaxing, ...]:
    """Return Lorentzians whose sum is flicker FM with Allan deviation `level`.

    Equal variances v at rates spaced by ln(ratio) add to S_y(f) = v / (ln(ratio) f);
    flicker FM h/f has an Allan variance of 2 ln 2 h.
    """
    if not level:
        return ()
    variance = level**2 * math.log(_RATIO) / (2 * math.log(2.0))
    decades = math.log(_FASTEST_PER_S / _SLOWEST_PER_S, _RATIO)
    rates = (_SLOWEST_PER_S * _RATIO**k for k in range(round(decades) + 1))
    return tuple(Relaxing(rate, variance) for rate in rates)
