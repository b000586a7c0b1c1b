"""What readings show of how a counter counts, beside what its bench file states.

Where the noise is that of the counter's stamps, readings that follow each other tell:
gates that share the instant between them are correlated by -1/2 (white PM, NIST SP
1065), gates with stamps of their own are not correlated. How far readings are apart
shows dead time by itself.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from benchlog.model import AVERAGING, REGRESSION, Counting, Sample
from benchlog.units import (
    NS_PER_S,
    as_stated,
    counted,
    format_duration,
)

Array = NDArray[np.float64]
FEWEST: Final = 20  # our rule: the correlation of fewer is not known to a quarter
DEAD: Final = 0.002  # our rule: of a gate; less is how clocks and hosts differ
_SHARED: Final = -0.5  # source: white PM of gates that share their instants, SP 1065
_COVERAGE: Final = 2.0  # k, about 95 % (JCGM 100)


@dataclass(frozen=True, slots=True, kw_only=True)
class SeenCounting:
    """Spacing of readings over their gate, and the correlation of neighbours.

    `correlation` is None where too few readings tell, or all are alike; it is good to
    `within` (95 %), the spacing to `slack_s`. `stated` is what the bench file and its
    dialect state.
    """

    n: int
    gate_s: float
    spacing_s: float
    correlation: float | None
    within: float
    slack_s: float
    stated: Counting

    @property
    def has_dead_time(self) -> bool:
        """Whether gates lie apart, by more than the host's stamps are good for.

        Gates that share stamps do not, however late their answers came.
        """
        apart_s = self.spacing_s - self.gate_s
        return apart_s > max(DEAD * self.gate_s, self.slack_s) and not self._shares

    def _near(self, value: float) -> bool:
        return (
            self.correlation is not None
            and abs(self.correlation - value) <= self.within
        )

    @property
    def texts(self) -> tuple[str, ...]:
        """Say what is seen, what it means, and what of it was stated otherwise."""
        return (f"{self._apart()}; {self._correlated()}", *self._against())

    def _apart(self) -> str:
        gate, spacing = (
            format_duration(self.gate_s),
            f"{as_stated(self.spacing_s, 4)} s",
        )
        if self.has_dead_time:
            dead = 1.0 - self.gate_s / self.spacing_s
            return f"a gate of {gate} every {spacing}: dead time {dead:.1%}"
        return f"a gate of {gate} every {spacing}: no dead time seen"

    def _correlated(self) -> str:
        if self.correlation is None:
            return f"{counted(self.n, 'reading')}, {FEWEST} tell how it counts"
        said = f"neighbours correlate by {self.correlation:+.2f} +- {self.within:.2f}"
        return f"{said}: {self._meaning()}"

    def _meaning(self) -> str:
        if self._shares:
            return (
                "white PM of gates that share their stamps, gapless; the mean improves "
                "with the length of the run, not its root"
            )
        if self.is_open:
            return self._uncorrelated()
        if (self.correlation or 0.0) > self.within:
            return (
                "noise slower than white FM, or averages that overlap from reading to "
                "reading"
            )
        return "too near both 0 and -1/2 to tell; more readings do"

    def _uncorrelated(self) -> str:
        if self.has_dead_time:
            return (
                "stamps of its own for each gate, or white FM of the device; which of "
                "them, a longer gate tells"
            )
        if self.stated.mode in (AVERAGING, REGRESSION):
            return (
                "as it averages within its gate; a deviation at the gate is then a "
                "modified one"
            )
        return (
            "white FM of the device, or the counter averages within its gate "
            '(counting = "averaging" or "regression" in the bench file)'
        )

    @property
    def is_open(self) -> bool:
        """Whether a longer gate tells more: gates are not correlated."""
        return self._near(0.0) and not self._near(_SHARED)

    @property
    def _shares(self) -> bool:
        return self._near(_SHARED) and not self._near(0.0)

    def _against(self) -> tuple[str, ...]:
        if self.stated.gapless and self.has_dead_time:
            return ("gapless = true is stated, and there is dead time: take it out",)
        if self.stated.gapless is False and self._shares:
            return ("gapless = false is stated, and gates share their stamps",)
        if self.stated.mode in (AVERAGING, REGRESSION) and self._shares:
            return (
                f'counting = "{self.stated.mode}" is stated, and gates share their '
                "stamps as with two-stamps",
            )
        return ()


def seen_counting(samples: Sequence[Sample], stated: Counting) -> SeenCounting | None:
    """Return what readings of one gate show; None where they are no readings in Hz."""
    first = samples[0] if samples else None
    if first is None or first.unit != "Hz" or not first.gate_s or len(samples) < 2:
        return None
    rest = about_a_line(samples)
    if rest is None:
        return None
    mono_ns = np.array([one.mono_ns for one in samples], np.int64)
    n, correlation = len(rest), None
    if n >= FEWEST and float(rest @ rest) > 0.0:
        # a line of its own takes some correlation off: about 2/n from each
        correlation = float(rest[1:] @ rest[:-1] / (rest @ rest)) + 2.0 / n
    steps_s = np.diff(mono_ns) / NS_PER_S
    return SeenCounting(
        n=n,
        gate_s=first.gate_s,
        spacing_s=float(np.median(steps_s)),
        correlation=correlation,
        within=_COVERAGE / math.sqrt(n),
        slack_s=_COVERAGE * float(steps_s.std()) / math.sqrt(n),
        stated=stated,
    )


def about_a_line(samples: Sequence[Sample]) -> Array | None:
    """Return values less the straight line through them; None if one is not finite."""
    values = np.array([one.value for one in samples], float)
    if not np.isfinite(values).all():
        return None
    at, moved = np.arange(len(values)) - (len(values) - 1) / 2.0, values - values[0]
    return np.asarray(moved - np.polynomial.Polynomial.fit(at, moved, 1)(at))
