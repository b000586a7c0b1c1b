"""Values of other quantities than the frequency, logged beside the readings."""

import math
from dataclasses import dataclass, field

from benchlog.clock import Clock
from benchlog.model import ORDERED, READ_BACK, Condition, Flag, Sample
from benchlog.recorder.run.acceptance import Rejected, why_beyond
from benchlog.recorder.run.refused_values import RejectedSamples, Said


def condition_of(
    sample: Sample, quantity: str, instrument: str, flags: Flag
) -> Condition | None:
    """Return what is stored of a sample; None where no figure can be made of it."""
    if why_beyond(sample.value):
        return None
    return Condition(
        sample.utc_ns,
        sample.mono_ns,
        quantity,
        sample.value,
        sample.unit,
        instrument,
        flags,
        sample.raw.decode("ascii", errors="backslashreplace") or None,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class SetOrder:
    """An order to a setter: what it sets, to what, and when it was told so."""

    quantity: str
    value: float
    unit: str
    instrument: str
    utc_ns: int
    mono_ns: int
    flags: Flag = Flag.NONE

    def rows(self, read_back: float | None, clock: Clock) -> list[Condition]:
        """Return the rows that are kept of it: the order, and what was read back now.

        None where nothing can be read back.
        """
        now = clock.utc_ns(), clock.mono_ns()
        told = [(self.utc_ns, self.mono_ns, ORDERED, self.value)]
        if read_back is not None:
            told.append((*now, READ_BACK, read_back))
        return [
            Condition(
                utc_ns,
                mono_ns,
                f"{self.quantity} {what}",
                value,
                self.unit,
                self.instrument,
                self.flags,
            )
            for utc_ns, mono_ns, what, value in told
        ]


@dataclass(frozen=True, slots=True)
class RejectedConditions:
    """What is to be said of samples that are no conditions, by instrument."""

    _by_name: dict[str, RejectedSamples] = field(default_factory=dict)

    def of(self, name: str, sample: Sample) -> list[tuple[str, Said]]:
        """Return what is to be said with a sample, good or not."""
        refusals = self._by_name.setdefault(name, RejectedSamples())
        if beyond := why_beyond(sample.value):
            what = "too large" if math.isfinite(sample.value) else "not finite"
            said = refusals.of(sample, Rejected(beyond, alike=f"that are {what}"))
        else:
            said = refusals.over()
        return [(name, one) for one in said]

    def over(self, *, ended: bool) -> list[tuple[str, Said]]:
        """Return what is still to be said once the run has ended."""
        if not ended:
            return []
        return [
            (name, one)
            for name, refusals in self._by_name.items()
            for one in refusals.over(ended=True)
        ]
