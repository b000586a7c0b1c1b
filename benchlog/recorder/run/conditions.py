"""Values of other quantities than the frequency, logged beside the readings."""

import math
from dataclasses import dataclass, field

from benchlog.model import Condition, Flag, Sample
from benchlog.recorder.run.acceptance import Rejected, RejectedSamples, Said


def condition_of(
    sample: Sample, quantity: str, instrument: str, flags: Flag
) -> Condition | None:
    """Return what is stored of a sample; None where it is no finite number."""
    if not math.isfinite(sample.value):
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


@dataclass(frozen=True, slots=True)
class RejectedConditions:
    """What is to be said of samples that are no conditions, by instrument."""

    _by_name: dict[str, RejectedSamples] = field(default_factory=dict)

    def of(self, name: str, sample: Sample) -> list[tuple[str, Said]]:
        """Return what is to be said with a sample, good or not."""
        refusals = self._by_name.setdefault(name, RejectedSamples())
        if math.isfinite(sample.value):
            said = refusals.over()
        else:
            rejected = Rejected("not finite", alike="that are not finite")
            said = refusals.of(sample, rejected)
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
