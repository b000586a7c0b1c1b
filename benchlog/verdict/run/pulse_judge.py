"""From pulses to a verdict: a device's train against a reference's, or the host's."""

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from benchlog.analysis.pulses.grid import PulseTracker
from benchlog.analysis.pulses.train import PulseCounts
from benchlog.analysis.pulses.trains import (
    TrainComparison,
    against,
    against_host,
)
from benchlog.analysis.pulses.views import readings_like, stretches
from benchlog.analysis.stats import RunStats
from benchlog.errors import DataError
from benchlog.model import (
    Columns,
    Flag,
    Part,
    Pulses,
    Timebase,
)
from benchlog.units import (
    NS_PER_S,
)
from benchlog.verdict.run.assessment import Assessment
from benchlog.verdict.run.budget import Budget
from benchlog.verdict.run.judgement import (
    Judge,
    corrected_ppm,
    held_against_limit,
    rate_doubt,
)
from benchlog.verdict.run.limit import limit_for
from benchlog.verdict.run.pulse_budget import pulse_budget, until_judged
from benchlog.verdict.run.pulse_timing import Timing
from benchlog.verdict.run.reasons import pulse_reasons
from benchlog.verdict.run.reference_band import AtReference, whole_at_reference

HOST: Final = "this computer's clock"


@dataclass(frozen=True, slots=True)
class Trains:
    """Which instruments a run of pulses is about, and how far apart pulses should be.

    `spacing_s` of the device is divider / nominal; of the reference, as it is stated.
    """

    device: str
    reference: str | None = None
    reference_s: float = 1.0
    divider: float = 1.0


class PulseJudge(Judge):
    """Feeds on pulses, assesses at any time; see `RunJudge` for the other arguments."""

    resolution_hz: float | None = None

    def __init__(
        self,
        part: Part,
        trains: Trains,
        timebase: Timebase,
        *,
        horizon_years: float | None = None,
        over_temperature: bool = False,
        thermometer_u_c: float | None = None,
    ) -> None:
        self.over_temperature = over_temperature
        self.thermometer_u_c = thermometer_u_c
        self.part, self.trains, self.timebase = part, trains, timebase
        self.divider = trains.divider
        self.horizon_years = horizon_years
        self._device = PulseTracker(trains.divider / part.nominal_hz)
        self._reference = PulseTracker(trains.reference_s) if trains.reference else None
        self._ambient: list[float] = []
        self._ambient_mono_ns: list[int] = []
        self._typed = self._simulated = False
        self._first_utc_ns = self._last_utc_ns = -1
        self._utc_less_mono_ns = 0
        self._kept: tuple[tuple[int, int], TrainComparison] | None = None

    def feed(self, batch: Columns | Pulses) -> None:
        """Take in pulses of both trains, in order, and ambient values."""
        if isinstance(batch, Pulses):
            self._feed_pulses(batch)

    def _feed_pulses(self, pulses: Pulses) -> None:
        self._ambient += pulses.ambient_c
        self._ambient_mono_ns += pulses.ambient_mono_ns
        self._typed = self._typed or pulses.typed
        if not len(pulses):
            return
        self._simulated = self._simulated or bool(
            np.any(pulses.flags & int(Flag.SIMULATED))
        )
        ours = pulses.instrument == self.trains.device
        self._note_utc(pulses.utc_ns[ours])
        if not self._utc_less_mono_ns and pulses.utc_ns[0] >= 0:
            self._utc_less_mono_ns = int(pulses.utc_ns[0] - pulses.mono_ns[0])
        _feed(self._device, pulses, ours)
        if self._reference is not None:
            theirs = pulses.instrument == self.trains.reference
            _feed(self._reference, pulses, theirs)

    def comparison(self) -> TrainComparison:
        """Return the trains compared. Raises DataError while there is too little."""
        there = (len(self._device), len(self._reference or ()))
        if self._kept is None or self._kept[0] != there:
            self._kept = there, self._compared()
        return self._kept[1]

    def _compared(self) -> TrainComparison:
        if self._reference is None:
            return against_host(self._device.train())
        return against(self._device.train(), self._reference.train())

    def charted(self) -> Columns:
        """Return offsets over stretches of the run as readings, for charts and laws.

        They are worked out, not measured; empty while there is too little.
        """
        try:
            found = self.comparison()
        except DataError:
            return readings_like(np.empty(0), np.empty(0), np.empty(0, np.int64))
        t_s, offset, group = stretches(found)
        mono_ns = found.origin_ns + np.round(t_s * NS_PER_S).astype(np.int64)
        pulse_hz = self.part.nominal_hz / self.trains.divider
        columns = readings_like(t_s, pulse_hz * (1 + offset), group)
        return replace(
            columns,
            mono_ns=mono_ns,
            utc_ns=mono_ns + self._utc_less_mono_ns,
            ambient_c=self._ambient_at(mono_ns),
        )

    def _ambient_at(self, mono_ns: NDArray[np.int64]) -> NDArray[np.float64]:
        """Return the ambient between the values that were logged; NaN without any."""
        known = self._ambient_mono_ns
        if not known or len(known) != len(self._ambient):
            return np.full(len(mono_ns), np.nan)
        at = np.array(known, dtype=np.int64)
        order = np.argsort(at, kind="stable")
        since = (mono_ns - at[order[0]]) / NS_PER_S
        known_s = (at[order] - at[order[0]]) / NS_PER_S
        found = np.interp(since, known_s, np.array(self._ambient)[order])
        return np.asarray(found, dtype=np.float64)

    def counts(self) -> tuple[PulseCounts, PulseCounts]:
        """Return how many pulses of each kind, of device and reference, there are."""
        theirs = self._reference.counts() if self._reference else PulseCounts()
        return self._device.counts(), theirs

    def assessment(self) -> Assessment:
        """Return what can be said by now."""
        try:
            found: TrainComparison | None = self.comparison()
        except DataError:
            found = None
        stats = self._stats(found)
        budget = None
        if found is not None:
            against = "reference" if self.trains.reference else "host clock"
            budget = pulse_budget(found, stats.n, self.timebase, against)
        draft = held_against_limit(
            part=self.part,
            stats=stats,
            timebase=self.timebase,
            budget=budget,
            divider=self.divider,
            horizon_years=self.horizon_years,
            over_temperature=self.over_temperature,
            at_reference=self._at_reference(stats, budget),
            doubt=self.doubt(),
        )
        if draft.doubt:
            draft = replace(draft, conformance=None)
        draft = replace(draft, timing=self._timing(found, draft))
        return replace(draft, reasons=tuple(pulse_reasons(draft, self.part)))

    def _at_reference(
        self, stats: RunStats, budget: Budget | None
    ) -> AtReference | None:
        """Bring the offset to the reference temperature where ambient lay elsewhere.

        Pulses tell one offset of the whole run, so all of it is brought, by the mean.
        """
        if self.over_temperature:
            return None
        offset = corrected_ppm(stats.offset_ppm, self.timebase.offset_ppm)
        return whole_at_reference(
            self.part,
            np.array(self._ambient),
            stats.n,
            offset,
            budget,
            thermometer_u_c=self.thermometer_u_c,
        )

    # --- details ----------------------------------------------------------------------

    def doubt(self) -> str:
        """Ask what is wrong where pulses come at another rate than stated, else ""."""
        limit_ppm = limit_for(self.part, self._temperatures(), self.horizon_years).ppm
        ours = rate_doubt("the device", self._device, limit_ppm)
        if ours or self._reference is None:
            return ours
        return rate_doubt("the reference", self._reference, limit_ppm)

    def _note_utc(self, utc_ns: NDArray[np.int64]) -> None:
        known = utc_ns[utc_ns >= 0]
        if len(known):
            if self._first_utc_ns < 0:
                self._first_utc_ns = int(known[0])
            self._last_utc_ns = int(known[-1])

    def _temperatures(self) -> tuple[float, float, float] | None:
        some = self._ambient
        return (min(some), sum(some) / len(some), max(some)) if some else None

    def _stats(self, found: TrainComparison | None) -> RunStats:
        counts = self._device.counts()
        ambient = self._temperatures()
        base = RunStats(
            n=counts.good,
            gaps=max(0, counts.blocks - 1),
            first_utc_ns=self._first_utc_ns if self._first_utc_ns >= 0 else None,
            last_utc_ns=self._last_utc_ns if self._last_utc_ns >= 0 else None,
            ambient_min_c=ambient[0] if ambient else None,
            ambient_mean_c=ambient[1] if ambient else None,
            ambient_max_c=ambient[2] if ambient else None,
            n_ambient=counts.good if ambient else 0,
            n_typed_ambient=counts.good if self._typed else 0,
            simulated=self._simulated,
        )
        if found is None:
            return base
        offset_ppm = found.offset * 1e6
        return replace(
            base,
            span_s=found.span_s,
            tau0_s=found.spacing_s,
            offset_ppm=offset_ppm,
            mean_hz=self.part.nominal_hz * (1 + found.offset),
        )

    def _timing(self, found: TrainComparison | None, draft: Assessment) -> Timing:
        name = self.trains.reference
        timing = Timing(
            against=f"pulses of {name!r}" if name else HOST,
            counts=self._device.counts(),
            reference=self._reference.counts() if self._reference else None,
        )
        if found is None or draft.budget is None:
            return timing
        timing = replace(
            timing,
            rms_s=found.fit.rms_s,
            pp_s=found.fit.pp_s,
            set_aside=found.aside[0],
            reference_set_aside=found.aside[1],
            lateness=found.earliest.shares if found.earliest else None,
        )
        return until_judged(timing, found, draft)


def _feed(tracker: PulseTracker, pulses: Pulses, which: NDArray[np.bool_]) -> None:
    tracker.feed(
        pulses.mono_ns[which],
        pulses.sequence[which],
        pulses.flags[which],
        pulses.segment[which],
    )
