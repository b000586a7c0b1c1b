"""The room and the supply: what surrounds the devices, as functions of time alone.

Both are pure: the same seed and the same second give the same value, in any order and
at any distance, so nothing has to be stepped through and every instrument that looks
agrees. A body that follows the room with a lag is worked out in closed form.
"""

import bisect
import functools
import math
import random
from dataclasses import dataclass, replace
from typing import Final

from benchlog.units import SECONDS_PER_DAY

_DRAFT_EVERY_S: Final = 600.0  # our rule: invented, as rooms go
_FORGOTTEN_AFTER: Final = 20.0  # time constants; e^-20 of a draft is 0.3 nK; our rule
_PUSHES_REMEMBERED: Final = 64  # our rule: bounds memory


@dataclass(frozen=True, slots=True, kw_only=True)
class RoomSpec:
    """A room's temperature in C: where it starts and how it moves.

    `draft_c` is the usual size of a draft (a door, a fan); drafts come about once in
    ten minutes and fade with `draft_fades_s`.
    """

    mean_c: float = 23.0
    drift_c_per_day: float = 0.3
    swing_c: float = 0.8
    draft_c: float = 0.15
    draft_fades_s: float = 90.0


@dataclass(frozen=True, slots=True)
class SupplySpec:
    """A supply voltage: set value, drift and ripple as a meter sees it."""

    volts: float = 3.3
    drift_v_per_day: float = 0.002
    noise_v: float = 0.0002


@dataclass(frozen=True, slots=True)
class Push:
    """A change that a person makes: a warm finger, a turned knob."""

    at_s: float
    amount: float
    until_s: float = math.inf


class Room:
    """Temperature at any second since the bench was switched on; a person may heat."""

    def __init__(self, spec: RoomSpec, seed: str) -> None:
        self.spec = spec
        self._seed = seed
        self._phase = random.Random(f"{seed}/day").uniform(0, 2 * math.pi)  # noqa: S311
        self._warmed = Pushes()

    def warm(self, by_c: float, at_s: float, for_s: float = math.inf) -> None:
        """Heat (or cool) the air from `at_s` on, for a while; it follows at once."""
        self._warmed.add(Push(at_s, by_c, at_s + for_s))

    def set_c(self, to_c: float, at_s: float, for_s: float = math.inf) -> None:
        """Set the air to a temperature from `at_s` on; it drifts on from there.

        What was heated before is over; after `for_s` the room is by itself again.
        """
        self._warmed.end_all(at_s)
        self.warm(to_c - self._by_itself_c(at_s, 0.0), at_s, for_s)

    def temperature_c(self, at_s: float, lag_s: float = 0.0) -> float:
        """Return what a body in the room with a first-order lag `lag_s` has.

        `at_s` counts from the start of the bench; the body has been in the room long
        enough to follow it.
        """
        return self._by_itself_c(at_s, lag_s) + self._warmed.at(at_s, lag_s)

    def _by_itself_c(self, at_s: float, lag_s: float) -> float:
        spec = self.spec
        omega = 2 * math.pi / SECONDS_PER_DAY
        turned = math.atan(omega * lag_s)
        swing = spec.swing_c * math.cos(turned)
        drift = spec.drift_c_per_day * max(0.0, _ramp(at_s, lag_s)) / SECONDS_PER_DAY
        daily = swing * math.sin(omega * at_s + self._phase - turned)
        return spec.mean_c + drift + daily + self._drafts(at_s, lag_s)

    def _drafts(self, at_s: float, lag_s: float) -> float:
        if not self.spec.draft_c:
            return 0.0
        last = math.floor(at_s / _DRAFT_EVERY_S)
        longest_s = _FORGOTTEN_AFTER * max(self.spec.draft_fades_s, lag_s)
        total = 0.0
        for k in range(last - math.ceil(longest_s / _DRAFT_EVERY_S), last + 1):
            begun, size = _draft(self._seed, k)
            total += size * _faded(at_s - begun, self.spec.draft_fades_s, lag_s)
        return -self.spec.draft_c * total


@functools.lru_cache(maxsize=256)
def _draft(seed: str, k: int) -> tuple[float, float]:
    """Return when the k-th draft begins (s) and its size relative to the usual."""
    rng = random.Random(f"{seed}/draft/{k}")  # noqa: S311 - physics, no secret
    return (k + rng.random()) * _DRAFT_EVERY_S, rng.expovariate(1.0)


class Supply:
    """Volts at any second since the bench was switched on; a person may turn it."""

    def __init__(self, spec: SupplySpec) -> None:
        self.spec = spec
        self._times: list[float] = []
        self._volts: list[float] = []

    def set_volts(self, volts: float, at_s: float) -> None:
        """Turn the supply to `volts` from `at_s` on."""
        self._times.append(at_s)
        self._volts.append(volts)

    def volts(self, at_s: float) -> float:
        """Return the voltage; ripple is the meter's business."""
        turned = bisect.bisect_right(self._times, at_s)
        base = self._volts[turned - 1] if turned else self.spec.volts
        return base + self.spec.drift_v_per_day * at_s / SECONDS_PER_DAY


class Pushes:
    """All pushes of one kind on one body; old ones are folded into a constant."""

    def __init__(self) -> None:
        self._pushes: tuple[Push, ...] = ()
        self._settled = 0.0

    def add(self, push: Push) -> None:
        """Take one more push, made later than all before."""
        while len(self._pushes) >= _PUSHES_REMEMBERED:
            oldest, *rest = self._pushes
            self._settled += oldest.amount if oldest.until_s == math.inf else 0.0
            self._pushes = tuple(rest)
        self._pushes = (*self._pushes, push)

    def end_all(self, at_s: float) -> None:
        """Let all that were made before `at_s` end then."""
        ended = (replace(p, until_s=min(p.until_s, at_s)) for p in self._pushes)
        self._pushes = tuple(ended)
        if self._settled:
            self.add(Push(at_s, -self._settled))

    def at(self, at_s: float, lag_s: float = 0.0) -> float:
        """Return what they have done together to a body with a first-order lag."""
        return self._settled + sum(
            push.amount
            * (_risen(at_s - push.at_s, lag_s) - _risen(at_s - push.until_s, lag_s))
            for push in self._pushes
        )


def _risen(age_s: float, lag_s: float) -> float:
    """How far a first-order lag has followed a step that is `age_s` old, 0 to 1."""
    if age_s <= 0:
        return 0.0
    return 1.0 if lag_s <= 0 else -math.expm1(-age_s / lag_s)


def _ramp(age_s: float, lag_s: float) -> float:
    """How far a first-order lag has followed a ramp that began `age_s` ago."""
    return age_s - lag_s * _risen(age_s, lag_s)


def _faded(age_s: float, fades_s: float, lag_s: float) -> float:
    """A step that fades exponentially, seen through a first-order lag."""
    if age_s < 0:
        return 0.0
    if lag_s <= 0:
        return math.exp(-age_s / fades_s)
    if math.isclose(lag_s, fades_s, rel_tol=1e-6):
        return age_s / lag_s * math.exp(-age_s / lag_s)
    both = math.exp(-age_s / fades_s) - math.exp(-age_s / lag_s)
    return fades_s / (fades_s - lag_s) * both
