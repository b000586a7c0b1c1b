"""How a long run went: what a person wants to know in the morning.

Fed as a judge is, in constant memory: means over at most 512 stretches of time carry
drift and temperature.
"""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np
from numpy.typing import NDArray

from benchlog.analysis.fitting.ageing import Estimate, ageing
from benchlog.analysis.fitting.temperature import TemperatureData, fit_temperature
from benchlog.analysis.stats import RunStats, by_turns
from benchlog.errors import DataError
from benchlog.model import (
    Columns,
    Event,
    EventKind,
    Run,
)
from benchlog.units import NS_PER_S, SECONDS_PER_DAY
from benchlog.verdict.run.assessment import Assessment
from benchlog.verdict.run.run_gaps import Holes, causes_of

_BINS: Final = 512  # our rule: bounds memory
_FIRST_BIN_S: Final = 1.0  # our rule: doubled until all fit
_ALARMS: Final = (EventKind.ALARM, EventKind.ALARM_OVER, EventKind.ALARM_UNSENT)
_BESIDE: Final = (
    EventKind.AMBIENT_LOST,
    EventKind.AMBIENT_RANGE,
    EventKind.ASLEEP,
    EventKind.CALIBRATION,
    EventKind.CLOCK_STEP,
    EventKind.DISK_LOW,
    EventKind.FAULT,
    EventKind.FROZEN,
    EventKind.LOCAL_TIME,
    EventKind.OUT_OF_TURN,
    EventKind.REJECTED,
    EventKind.STORE_REPLACED,
    EventKind.STORE_WAIT,
    EventKind.SUSPECT,
)
"""What is worth a word in the morning although it may have cost no reading."""
_LISTED: Final = 50  # our rule: more is no summary
Array = NDArray[np.float64]


class _Bins:
    """Sums over stretches of time that grow as the run does."""

    def __init__(self) -> None:
        self.width_s = _FIRST_BIN_S
        self.sums = np.zeros((5, _BINS))  # n, t, offset, n of ambient, ambient

    def feed(self, t_s: Array, offset: Array, ambient: Array) -> None:
        while len(t_s) and t_s[-1] >= self.width_s * _BINS:
            self.width_s *= 2
            halves = self.sums.reshape(5, _BINS // 2, 2).sum(axis=2)
            self.sums = np.concatenate([halves, np.zeros_like(halves)], axis=1)
        at = np.clip((t_s / self.width_s).astype(np.int64), 0, _BINS - 1)
        known = np.isfinite(ambient)
        rows = (np.ones_like(t_s), t_s, offset, known.astype(float),
                np.where(known, ambient, 0.0))  # fmt: skip
        for row, weights in enumerate(rows):
            self.sums[row] += np.bincount(at, weights, _BINS)

    def means(self) -> tuple[Array, Array, Array]:
        """Return time, offset and ambient (NaN where unknown) of what has readings."""
        n, t, offset, known, ambient = self.sums[:, self.sums[0] > 0]
        with np.errstate(invalid="ignore", divide="ignore"):
            return t / n, offset / n, ambient / known


class SoakWatch:
    """Feeds on the readings of one run; `night` says how it went."""

    def __init__(self, run: Run) -> None:
        self._run = run
        self._holes = Holes()
        self._bins = _Bins()
        self._zero: tuple[bool, int] | None = None

    def feed(self, columns: Columns, before_utc_ns: int | None = None) -> None:
        """Take in readings in the order they were made."""
        if not len(columns):
            return
        self._holes.feed(columns, before_utc_ns)
        if self._zero is None:
            stamped = bool(columns.utc_ns[0] >= 0)
            first = columns.utc_ns[0] if stamped else columns.mono_ns[0]
            self._zero = stamped, int(first)
        stamped, zero_ns = self._zero
        times = columns.utc_ns if stamped else columns.mono_ns
        t_s = np.maximum.accumulate((times - zero_ns) / NS_PER_S)
        f0 = self._run.nominal_hz / self._run.divider
        self._bins.feed(t_s, (columns.frequency_hz - f0) / f0 * 1e6, columns.ambient_c)

    def summary(self, assessment: Assessment, events: Sequence[Event]) -> "SoakSummary":
        """Return how the run went, given its figures and events."""
        explained = causes_of(self._holes.kept, events)
        causes = Counter(_causes(near) for _, near in explained)
        listed = tuple(
            (hole.utc_ns, hole.lasted_s, _causes(near), _texts(near))
            for hole, near in explained[:_LISTED]
        )
        t_s, offset, ambient = self._bins.means()
        drift, slope, span_c, note = _laws(t_s, offset, ambient)
        stats = assessment.stats
        return SoakSummary(
            span_s=stats.span_s,
            missing_s=self._holes.lost_s,
            readings=stats.n,
            gaps=self._holes.count,
            causes=dict(causes.most_common()),
            holes=listed,
            drift=drift,
            temperature=slope,
            temperature_c=span_c,
            without_ambient_s=_without_ambient_s(stats),
            note=note,
            stability=tuple(
                (point.tau_s, float(np.sqrt(point.avar)))
                for point in by_turns(assessment.stats).bridged
            ),
            alarms=tuple(e for e in events if e.kind in _ALARMS)[:_LISTED],
            steps=tuple(e for e in events if e.kind == EventKind.STEP)[:_LISTED],
            alarm_count=sum(e.kind == EventKind.ALARM for e in events),
            reference=tuple(e for e in events if e.kind == EventKind.REFERENCE_LOST),
            unkept=tuple(e for e in events if e.kind == EventKind.READINGS_LOST),
            beside=dict(Counter(str(e.kind) for e in events if e.kind in _BESIDE)),
            pulses=assessment.timing is not None,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class SoakSummary:
    """A long run in short.

    Parameters
    ----------
    span_s, missing_s : float
        Length, and how much of it lies in gaps.
    causes : dict
        Kinds of event behind the gaps (joined by +, `unknown` for none) and how many.
    holes : tuple of (utc_ns, lasted_s, causes, text)
        The first 50.
    drift, temperature : Estimate | None
        ppm a day and ppm/C with 95 % intervals, fitted together where ambient varied;
        None where the run cannot tell, `note` says why.
    stability : tuple of (tau_s, adev in ppm)
    alarms, steps : tuple of Event
        The first 50 of each; `alarm_count` counts all.
    reference : tuple of Event
        Each time that the reference was lost.
    unkept : tuple of Event
        Readings that found no room while the database took none.
    beside : dict
        Kinds of event that cost no reading by themselves, and how many.
    pulses : bool
        Whether pulses were counted, not readings.
    temperature_c : (low, high) | None
        Over which temperatures of the device `temperature` is the mean slope.
    without_ambient_s : float
        For how long readings have no ambient beside them; 0 where none has any.

    """

    span_s: float
    missing_s: float
    readings: int
    gaps: int
    causes: dict[str, int]
    holes: tuple[tuple[int, float, str, str], ...]
    drift: Estimate | None
    temperature: Estimate | None
    note: str
    stability: tuple[tuple[float, float], ...]
    alarms: tuple[Event, ...]
    steps: tuple[Event, ...]
    alarm_count: int
    reference: tuple[Event, ...] = ()
    unkept: tuple[Event, ...] = ()
    beside: dict[str, int] = field(default_factory=dict)
    pulses: bool = False
    temperature_c: tuple[float, float] | None = None
    without_ambient_s: float = 0.0


def _laws(
    t_s: Array, offset: Array, ambient: Array
) -> tuple[Estimate | None, Estimate | None, tuple[float, float] | None, str]:
    """Fit drift and temperature together; drift alone where ambient cannot tell."""
    try:
        data = TemperatureData(t_s, ambient, offset)
        found = fit_temperature(data, "line", with_ageing=True)
    except (DataError, ValueError) as error:
        note = str(error)
    else:
        seen = (found.low_c, found.high_c)
        return found.ageing, found.coefficients[0], seen, ""
    try:
        laws = ageing((t_s - t_s[:1]) / SECONDS_PER_DAY, offset)
    except (DataError, ValueError) as error:
        return None, None, None, str(error)
    line = next(law for law in laws if law.law == "linear")
    return line.coefficients[0], None, None, note


def _without_ambient_s(stats: RunStats) -> float:
    if not stats.n_ambient:
        return 0.0
    return (stats.n - stats.n_ambient) * (stats.tau0_s or 0.0)


def _causes(near: Sequence[Event]) -> str:
    kinds = sorted({str(event.kind) for event in near})
    return "+".join(kinds) or "unknown"


def _texts(near: Sequence[Event]) -> str:
    return near[0].text if near else ""
