"""A temperature chamber: inertia, overshoot, and places that are not quite as warm.

    set point -> ramp at the chamber's rate -> two poles (they overshoot) -> air
    air + gradient of the place -> one pole (the body's lag) -> device

All is linear, so air and bodies at any second are sums of the answers of the poles to
each change of the ramp's slope: exact at any distance, in any order, like the room.
"""

import cmath
import math
import threading
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
_MINUTE_S: Final = 60.0  # definition
_SETTLED: Final = 40.0  # of the slowest pole; e^-40 of anything is nothing; our rule
_MOST_TURNS: Final = 400  # our rule: bounds memory and time of a look
_APART: Final = 1e-6  # our rule: nearer poles are moved apart


@dataclass(frozen=True, slots=True, kw_only=True)
class ChamberSpec:
    """A chamber.

    Parameters
    ----------
    begin_c : float
        The air when it is switched on, and where it goes when it is stopped.
    rate_c_per_min : float
        How fast it heats and cools.
    inertia_s : float
        Time constant of the air behind the ramp.
    damping : float
        Of that; below 1 it overshoots.
    low_c, high_c : float
        What it can reach; an order beyond is refused.
    gradient_c : float
        How much warmer the last place is than the first, per 100 C away from
        `begin_c`.
    probe_error_c : float
        What its own probe shows more than the air has.

    """

    begin_c: float = 23.0
    rate_c_per_min: float = 4.0
    inertia_s: float = 40.0
    damping: float = 0.7
    low_c: float = -55.0
    high_c: float = 130.0
    gradient_c: float = 0.4
    probe_error_c: float = 0.1


@dataclass(frozen=True, slots=True)
class _Turn:
    """The ramp's slope changes by `by` C/s at `at_s`."""

    at_s: float
    by: float


class Chamber:
    """The air of a chamber from when the bench was switched on; orders in time's order.

    Any number of threads may look.
    """

    def __init__(self, spec: ChamberSpec, places: int = 1) -> None:
        self.spec = spec
        self._places = places
        self._lock = threading.Lock()
        self._turns: tuple[_Turn, ...] = ()
        self._settled_c = 0.0  # what turns that are long over have left
        self._target_c = spec.begin_c
        self._open_c = 0.0
        self._open_turns: tuple[_Turn, ...] = ()
        self._as_arrays: tuple[tuple[tuple[_Turn, ...], ...], tuple[Array, Array]]
        self._as_arrays = (self._turns, self._open_turns), (np.empty(0), np.empty(0))
        self.stuck = False

    @property
    def target_c(self) -> float:
        """Where it was last sent."""
        return self._target_c

    def send(self, to_c: float, at_s: float, rate_c_per_min: float = 0.0) -> None:
        """Send it to a temperature from `at_s` on, at its rate or a slower one."""
        with self._lock:
            self._target_c = to_c
            if not self.stuck:
                self._ramp(to_c, at_s, rate_c_per_min)

    def stop(self, at_s: float) -> None:
        """Leave it to itself: it goes to where the room is."""
        self.send(self.spec.begin_c, at_s, self.spec.rate_c_per_min / 4)

    def stick(self, at_s: float) -> None:
        """Let it stay where it is, whatever it is told."""
        with self._lock:
            here = self._ramp_c(at_s)
            self._ramp(here, at_s, 0.0)
            self.stuck = True

    def free(self, at_s: float) -> None:
        """Let it obey again."""
        with self._lock:
            self.stuck = False
            self._ramp(self._target_c, at_s, 0.0)

    def open_door(self, room_c: float, at_s: float, for_s: float) -> None:
        """Open the door: three quarters of the difference to the room are lost."""
        with self._lock:
            away_c = 0.75 * (room_c - self._air_c(at_s, 0.0))
            quick = 20.0
            self._open_turns = (
                *self._open_turns[-6:],
                _Turn(at_s, away_c / quick),
                _Turn(at_s + quick, -away_c / quick),
                _Turn(at_s + for_s, -away_c / quick),
                _Turn(at_s + for_s + quick, away_c / quick),
            )

    def air_c(self, at_s: float) -> float:
        """Return the air in the middle of the chamber."""
        with self._lock:
            return self._air_c(at_s, 0.0)

    def probe_c(self, at_s: float) -> float:
        """Return what its own probe shows."""
        return self.air_c(at_s) + self.spec.probe_error_c

    def body_c(self, at_s: float, place: int, lag_s: float) -> float:
        """Return the temperature of a body at a place, 0 to places - 1."""
        with self._lock:
            air_c = self._air_c(at_s, lag_s)
        return self.at_place_c(air_c, place)

    def bodies_c(self, at_s: Array, place: int, lag_s: float) -> Array:
        """Return the same at many times, shape (n,), of one body."""
        with self._lock:
            air_c = self._airs_c(at_s, lag_s)
        return air_c + self._gradient(place) * (air_c - self.spec.begin_c)

    def at_place_c(self, air_c: float, place: int) -> float:
        """Return what a place has when the air has settled at `air_c`."""
        return air_c + self._gradient(place) * (air_c - self.spec.begin_c)

    def _gradient(self, place: int) -> float:
        if self._places < 2:
            return 0.0
        return self.spec.gradient_c / 100.0 * (place / (self._places - 1) - 0.5)

    def _ramp(self, to_c: float, at_s: float, rate_c_per_min: float) -> None:
        """Turn the ramp towards `to_c`; a turn that was still to come is forgotten."""
        here_c = self._ramp_c(at_s)
        begun = tuple(one for one in self._turns if one.at_s <= at_s)
        slope = math.fsum(one.by for one in begun)
        rate = self.spec.rate_c_per_min
        rate = min(rate, rate_c_per_min) if rate_c_per_min > 0 else rate
        new = math.copysign(rate / _MINUTE_S, to_c - here_c) if to_c != here_c else 0.0
        takes_s = abs((to_c - here_c) / new) if new else 0.0
        self._turns = (*begun, _Turn(at_s, new - slope), _Turn(at_s + takes_s, -new))
        if len(self._turns) > _MOST_TURNS:
            self._fold(at_s)

    def _fold(self, at_s: float) -> None:
        """Take turns together that were over long ago and left a constant."""
        slowest_s = self.spec.inertia_s / min(1.0, self.spec.damping) + 3600.0
        old = [one for one in self._turns if one.at_s < at_s - _SETTLED * slowest_s]
        while old and abs(math.fsum(one.by for one in old)) > 1e-12:
            old.pop()
        end_s = old[-1].at_s if old else 0.0
        self._settled_c += math.fsum(one.by * (end_s - one.at_s) for one in old)
        self._turns = self._turns[len(old) :]

    def _ramp_c(self, at_s: float) -> float:
        """Return where the ramp is, without any inertia."""
        gone = math.fsum(one.by * max(0.0, at_s - one.at_s) for one in self._turns)
        return self.spec.begin_c + self._settled_c + gone

    def _air_c(self, at_s: float, lag_s: float) -> float:
        return float(self._airs_c(np.array([at_s]), lag_s)[0])

    def _airs_c(self, at_s: Array, lag_s: float) -> Array:
        at, by = self._all_turns()
        answer = ramp_answer(at_s[:, None] - at, self._poles(lag_s)) @ by
        return np.asarray(self.spec.begin_c + self._settled_c + answer)

    def _all_turns(self) -> tuple[Array, Array]:
        """Return time and change of every turn; made once for each change of them."""
        turns = self._turns, self._open_turns
        known, arrays = self._as_arrays
        if known[0] is not turns[0] or known[1] is not turns[1]:
            rows = [(one.at_s, one.by) for one in (*turns[0], *turns[1])]
            at, by = np.array(rows, np.float64).reshape(-1, 2).T
            arrays = (at, by)
            self._as_arrays = turns, arrays
        return arrays

    def _poles(self, lag_s: float) -> tuple[complex, ...]:
        zeta, omega = self.spec.damping, 1.0 / self.spec.inertia_s
        root = cmath.sqrt(zeta * zeta - 1.0 + 1e-9)
        pair = (omega * (-zeta + root), omega * (-zeta - root))
        if lag_s <= 0:
            return pair
        own = complex(-1.0 / lag_s)
        if any(abs(own - pole) < _APART * abs(pole) for pole in pair):
            own *= 1.0 + 10 * _APART
        return (*pair, own)


def ramp_answer(age_s: Array, poles: tuple[complex, ...]) -> Array:
    """Return how a chain of poles, of gain 1, answers a ramp of 1/s after `age_s`.

    H(s) = prod(p / (p - s)); the answer to 1/s^2 by partial fractions (Laplace, from
    memory): t + sum(1/p) + sum of residues, which have died away by `_SETTLED` time
    constants. Before it began, nothing.
    """
    age_s = np.maximum(age_s, 0.0)
    total = age_s + sum(1.0 / pole for pole in poles).real
    slowest_s = -1.0 / max(pole.real for pole in poles)
    moving = (age_s > 0) & (age_s < _SETTLED * slowest_s)
    young_s = age_s[moving]
    for k, pole in enumerate(poles):
        others = (one for j, one in enumerate(poles) if j != k)
        residue = -pole / (pole * pole)
        for one in others:
            residue *= one / (one - pole)
        total[moving] += (residue * np.exp(pole * young_s)).real
    return np.where(age_s > 0, total, 0.0)
