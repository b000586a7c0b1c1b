"""What every page ends with: method, sources, cautions."""

from collections.abc import Iterator

from benchlog.report.pages.content import Prose, Section, section

_METHOD = (
    "A counter measured the frequency of the device over gate after gate. Each reading "
    "was stored as it came and has not been changed since. The offset is the mean of "
    "the readings against the nominal frequency, in parts per million; positive runs "
    "fast. It is corrected for what is known of the counter's own time base. The "
    "jitter is the scatter from reading to reading at the stated gate, about a "
    "straight line.",
    "The uncertainty U (95 %) combines the time base, the counter's last digit, and "
    "how far the mean of a run of this length wanders by itself: the Allan deviation "
    "of the noise that was identified, at the length of the run. A device passes when "
    "its offset lies within the limit with the uncertainty added, fails when it lies "
    "outside with the uncertainty taken off, and is undecided in between. The "
    "conformance probability says how likely the true offset lies within the limit.",
)
_SOURCES = (
    "Decision and conformance probability: JCGM 106:2012, guarded acceptance. "
    "Uncertainty and coverage factor: JCGM 100:2008. Stability, its intervals and "
    "noise types: IEEE Std 1139; W. J. Riley, Handbook of Frequency Stability "
    "Analysis, NIST SP 1065 (2008).",
)
_CAUTIONS = (
    "This is a record, not a calibration certificate. Where one is required, see an "
    "accredited laboratory. The figures are as good as the counter's time base, the "
    "hook-up and the thermometer: they hold for this device, as it was hooked up, at "
    "the temperature and supply it had. Figures of the moment say nothing of "
    "temperatures that were not measured, nor of years to come.",
)


def closing_sections(more_sources: tuple[str, ...] = ()) -> Iterator[Section]:
    """Yield method, sources and cautions."""
    yield section("Method", Prose(_METHOD))
    yield section("Sources", Prose((*_SOURCES, *more_sources)))
    yield section("Cautions", Prose(_CAUTIONS))
