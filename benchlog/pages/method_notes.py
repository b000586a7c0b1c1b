"""What every page ends with: method, sources, cautions."""

from collections.abc import Iterator, Sequence
from typing import Final

from benchlog.pages.content import Prose, Section, section

_RULE: Final = (
    "A device passes when its offset lies within the limit with the uncertainty added, "
    "fails when it lies outside with the uncertainty taken off, and is undecided in "
    "between. The conformance probability says how likely the true offset lies within "
    "the limit."
)
_COUNTER: Final = (
    "A counter measured the frequency of the device over gate after gate. Each reading "
    "was stored as it came and has not been changed since. The offset is the mean of "
    "the readings against the nominal frequency, in parts per million; positive runs "
    "fast. It is corrected for what is known of the counter's own time base. The "
    "jitter is the scatter of the readings at the stated gate, rms about a straight "
    "line; where the frequency moved slowly that is in it, and a limit is held against "
    "the scatter from reading to reading, the Allan deviation at the gate.",
    "The uncertainty U (95 %) combines the time base, the counter's last digit, and "
    "how far the mean of a run of this length wanders by itself: the Allan deviation "
    f"of the noise that was identified, at the length of the run. {_RULE}",
)
_PULSES: Final = (
    "No counter measured this device: its output was divided down to pulses, and each "
    "was stamped by this computer as it came, beside the pulses of the reference where "
    "there was one. Every stamp is kept as it was. The offset is the slope of a "
    "straight line through the device's time against the reference's, in parts per "
    "million; positive runs fast. Pulses that are absent or too far from the line are "
    "set aside and counted. The timing figure is the scatter of pulses about the line.",
    "The uncertainty U (95 %) combines the reference's pulses at both ends of the run "
    "with the uncertainty of the slope, in which it counts that neighbouring stamps "
    "go astray together. Where stamps come late more than early, the slope is that of "
    f"the earliest stamps. {_RULE}",
)
_CHECK: Final = (
    "A reference that is known better than the counter's own time base was measured "
    "with it: the counter timed or counted the reference, or pulses of its time base "
    "were stamped beside the reference's. A time base that runs fast makes a counter "
    "read low. Each reading was stored as it came; what does not fit the rest is set "
    "aside for the figure, and counted.",
    "The uncertainty combines the reference, at both ends of the check where it comes "
    "as pulses, the counter's last digit, and how far the mean of a check of this "
    "length wanders by itself. A check is refused while the time base still drifts. It "
    "holds until the stated ageing may have moved the time base by as much as the "
    "check is uncertain, or for as long as was asked.",
)
_TRIM: Final = (
    "Trim codes that the part file calls safe were set one after the other, and a "
    "counter measured each over several gates that began after the code was set. "
    "Nothing is assumed of the register but that most neighbouring codes differ by "
    "about a step: it may run backwards in places, jump, and have ranges that overlap. "
    "The next code is always the one that could still be the best; codes too close to "
    "call are measured again in turn.",
    "The best code is the one that comes closest to nominal. It was set once more at "
    "the end and measured anew; U (95 %) of that figure comes from the scatter of "
    "those readings and the noise identified in them. Nothing was written to permanent "
    "memory. The readings of this run are of many codes, so no mean, jitter or verdict "
    "is made of all of them: measure the device at its code for those.",
)
_LOT: Final = (
    "A sample of the lot was measured, device after device, each by a counter over "
    "several gates. The offset of a device is the mean of its readings against the "
    "nominal frequency, corrected for the counter's time base; positive runs fast. A "
    "device passes when the offset lies within the limit with the uncertainty added, "
    "and fails when it lies outside with it taken off. Its newest run counts; runs "
    "that were voided or set aside do not.",
    "The lot is accepted with up to as many defective devices as the plan allows (Ac) "
    "and rejected from its rejection number (Re) on. Mean, standard deviation and "
    "capability describe the devices measured; capability is stated from 25 devices "
    "on. What they share, the uncertainty of the time base, is in the interval of the "
    "mean and is not made smaller by measuring more of them. Positions whose devices "
    "differ by more than chance (Welch's t test, 1 %) are pointed at.",
)
_COMPARE: Final = (
    "Each run was measured by a counter over gate after gate, or by stamped pulses; "
    "its offset is the mean against its nominal frequency, corrected for the time "
    "base, positive is fast. Runs that were measured at the same time are compared "
    "pair by pair of readings, so that what moved both of them falls out; others by "
    "their means.",
    "The uncertainty of a difference (95 %) leaves out what both share, such as the "
    "time base of one counter, and counts the noise of each run, or of the paired "
    "differences, at the length measured. A difference is told only when it is larger "
    "than that; each is judged by itself, so one in twenty may be chance.",
)
_HAT: Final = (
    "The devices were measured at the same moments, each by a counter over gate after "
    "gate. The readings of all runs were paired by their time, and the stability of "
    "every difference was worked out. What all devices share, such as the time base, "
    "falls out of the differences. Where the devices are independent of each other, "
    "the variance of a difference is the sum of two devices' own, and from the "
    "differences of three devices or more each one's own follows (least squares).",
    "The intervals (95 %) come from the covariances of the differences that could have "
    "given those found, with the degrees of freedom of the slowest noise in any of "
    "them. A device that is much quieter than the others is not resolved: its figure "
    "is then only known to be below a bound. A counter or a supply that a device has "
    "to itself is part of its own figure.",
)
_RACK: Final = (
    "The device went through a test sequence beside others in a rack. At each point "
    "the chamber, the supplies and the scanner were set and read back; the rack waited "
    "until the frequency of the device and the probe moved more slowly than the "
    "sequence allows, or the step's time was over, and a counter measured each device "
    "in its turn. A point is the mean of one turn. Changes are taken from the points "
    "at reference conditions, between the two nearest in time, so that drift is not "
    "counted; temperature is the probe's.",
    "White and flicker frequency noise are fitted to the Allan variances within all "
    "turns of the device together; with its number of gates each point has "
    "a standard uncertainty. The drift that was left when the point was measured is "
    "added, and the probe's uncertainty times the slope. The largest of several "
    "changes is larger by chance than what it stands for; its interval takes that "
    "into account at both ends. The value is the middle of the 95 % interval and U "
    "half of it. The time base counts in the offset, and drops out of changes. "
    "An activity dip is believed only where a narrow departure from a smooth law is "
    "larger than noise makes it in 1 % of devices; one that is narrower than the "
    "spacing of the points can lie between them. A characteristic passes when its "
    "limit holds with U added, fails when it does not with U taken off, and is "
    "undecided in between; the worst line is the device's verdict.",
)
METHODS: Final = {
    "rack": _RACK,
    "counter": _COUNTER,
    "pulses": _PULSES,
    "check": _CHECK,
    "trim": _TRIM,
    "lot": _LOT,
    "compare": _COMPARE,
    "hat": _HAT,
}
"""How a page's figures were made, in two paragraphs, by what the page is of."""

_SOURCES = (
    "Decision and conformance probability: JCGM 106:2012, guarded acceptance. "
    "Uncertainty: JCGM 100:2008; the lines of a budget are convolved, JCGM 101:2008. "
    "Stability, its intervals and "
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


def closing_sections(
    methods: Sequence[str] = ("counter",), more_sources: tuple[str, ...] = ()
) -> Iterator[Section]:
    """Yield method, sources and cautions; `methods` are keys of `METHODS`."""
    said = [text for name in dict.fromkeys(methods) for text in METHODS[name]]
    yield section("Method", Prose(tuple(said)))
    yield section("Sources", Prose((*_SOURCES, *more_sources)))
    yield section("Cautions", Prose(_CAUTIONS))
