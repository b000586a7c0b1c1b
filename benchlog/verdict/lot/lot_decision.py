"""A lot: its decision by the sampling plan, and the figures beside it."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from statistics import median

from benchlog.model import Decision, Load
from benchlog.verdict.lot.capability import (
    Capability,
    Interval,
    capability,
    clopper_pearson,
)
from benchlog.verdict.lot.inspection_trend import (
    FailureRow,
    InspectionTrend,
    drift,
    rows_of_failures,
)
from benchlog.verdict.lot.load_explanation import Common, LoadHelp, load_help
from benchlog.verdict.lot.lot_spread import (
    Groups,
    Histogram,
    groups,
    histogram,
    odd_ones,
)
from benchlog.verdict.lot.position_differences import Apart, positions_apart
from benchlog.verdict.lot.sampling_plan import Plan


class LotResult(StrEnum):
    """What becomes of a lot."""

    ACCEPTED = "accepted"
    REJECTED = "rejected"
    OPEN = "open"


class UndecidedRule(StrEnum):
    """What an undecided device counts as.

    `open`: neither good nor bad; it is to be measured again, and the lot stays open as
    long as the undecided devices could turn the decision. `defective`: as a defective,
    for whoever closes a lot in favour of the buyer: only what is shown to conform
    conforms (guarded acceptance, JCGM 106:2012, 8.3.2).
    """

    OPEN = "open"
    DEFECTIVE = "defective"


@dataclass(frozen=True, slots=True, kw_only=True)
class DeviceResult:
    """What came out for one device; its newest run when there are several.

    `u_ppm` is the expanded uncertainty; None stands for unknown. `doubt` tells why the
    lot takes the run for undecided, where it was not. `marked` is whether a person
    marked that something was done to the device meanwhile: its offset is then in no
    figure of the lot. `uid` is that of its run, `bench` where its position is.
    """

    device: str
    run: int
    word: Decision
    offset_ppm: float | None = None
    u_ppm: float | None = None
    at_utc_ns: int | None = None
    ambient_c: float | None = None
    position: str = ""
    doubt: str = ""
    marked: bool = False
    uid: str = ""
    bench: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class LotDecision:
    """The decision with its counts and its reason.

    `remaining` devices of the sample are still to be measured; `normal_again` says that
    the lot passed in the gap between Ac and Re of reduced inspection.
    """

    decision: LotResult
    passed: int
    failed: int
    undecided: int
    remaining: int
    rule: UndecidedRule
    text: str
    normal_again: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class LotFigures:
    """What a lot looks like; None where there is too little to say.

    `odd` holds the indices of outliers among the results; they stay in all counts, and
    are left out of `groups`, `apart` and `load` only. `fraction` is the fraction
    defective of the decided devices (Clopper-Pearson). `offsets_ppm` are those of all
    devices that have one, `limit_ppm` is their limit.
    """

    offsets_ppm: tuple[float, ...]
    limit_ppm: float
    capability: Capability | None
    fraction: Interval | None
    odd: tuple[int, ...]
    drift: InspectionTrend | None
    groups: Groups | None
    apart: Apart | None
    failures_in_a_row: tuple[FailureRow, ...]
    load: LoadHelp | None

    @property
    def histogram(self) -> Histogram | None:
        """The histogram of the offsets, made when it is asked for: a list has none."""
        return histogram(self.offsets_ppm, self.limit_ppm)


def decide_lot(
    plan: Plan,
    results: Sequence[DeviceResult],
    rule: UndecidedRule = UndecidedRule.OPEN,
) -> LotDecision:
    """Return the decision by now, one result for each device, in order of measurement.

    Only the first `plan.sample_size` results count: a sample is not made longer until
    it pleases. Rejection is said as soon as it is certain, acceptance when the sample
    is complete.
    """
    words = [result.word for result in results[: plan.sample_size]]
    failed, undecided = words.count(Decision.FAIL), words.count(Decision.UNDECIDED)
    remaining = plan.sample_size - len(words)
    bad = failed + (undecided if rule is UndecidedRule.DEFECTIVE else 0)
    could = failed + undecided
    if bad >= plan.reject:
        decision = LotResult.REJECTED
    elif remaining == 0 and could <= plan.most_accepted:
        decision = LotResult.ACCEPTED
    else:
        decision = LotResult.OPEN
    again = decision is LotResult.ACCEPTED and could > plan.accept
    draft = LotDecision(
        decision=decision,
        passed=words.count(Decision.PASS),
        failed=failed,
        undecided=undecided,
        remaining=remaining,
        rule=rule,
        text="",
        normal_again=again,
    )
    text = _reason(plan, draft, bad)
    extra = len(results) - plan.sample_size
    if extra > 0:
        text += f"; {extra} measured beyond the sample do not count"
    return replace(draft, text=text)


def undecided_lot(results: Sequence[DeviceResult], rule: UndecidedRule) -> LotDecision:
    """Return how a lot is without a sampling plan: its devices, and no decision."""
    words = [result.word for result in results]
    return LotDecision(
        decision=LotResult.OPEN,
        passed=words.count(Decision.PASS),
        failed=words.count(Decision.FAIL),
        undecided=words.count(Decision.UNDECIDED),
        remaining=0,
        rule=rule,
        text="no sampling plan was made, so the lot is not decided",
    )


def _reason(plan: Plan, draft: LotDecision, bad: int) -> str:
    undecided = draft.undecided
    counted = ""
    if undecided and draft.rule is UndecidedRule.DEFECTIVE:
        counted = f" ({undecided} undecided counted as defective)"
    said = f"{bad} defective{counted} ({plan.accept} allowed)"
    if draft.decision is LotResult.REJECTED:
        return said
    if draft.decision is LotResult.ACCEPTED:
        turns = undecided and draft.rule is UndecidedRule.OPEN
        return f"{said}, {undecided} undecided cannot turn it" if turns else said
    if draft.remaining:
        return f"{said}, {draft.remaining} still to be measured"
    return f"{said}, {undecided} undecided could turn it: measure these again"


def lot_figures(
    results: Sequence[DeviceResult],
    limit_ppm: float,
    load: Load | None = None,
    u_common_ppm: float = 0.0,
) -> LotFigures:
    """Return the figures of a lot.

    Parameters
    ----------
    results : sequence of DeviceResult
        One for each device, in order of measurement.
    limit_ppm : float
        The part's limit, plus and minus.
    load : Load | None
        The crystal's circuit, for the help with a wrong load.
    u_common_ppm : float
        Expanded uncertainty shared by all (time base).

    """
    results = [replace(r, offset_ppm=None) if r.marked else r for r in results]
    known = [i for i, r in enumerate(results) if r.offset_ppm is not None]
    offsets = [r.offset_ppm for r in results if r.offset_ppm is not None]
    floor = _typical_u([results[i].u_ppm for i in known], u_common_ppm)
    odd = odd_ones(offsets, floor)
    kept = [i for i in range(len(offsets)) if i not in set(odd)]
    plain = [offsets[i] for i in kept]
    seats = [(results[known[i]].position, offsets[i]) for i in kept]
    words = [r.word for r in results]
    failed, decided = (
        words.count(Decision.FAIL),
        len(words) - words.count(Decision.UNDECIDED),
    )
    able = capability(offsets, limit_ppm, u_common_ppm)
    return LotFigures(
        offsets_ppm=tuple(offsets),
        limit_ppm=limit_ppm,
        capability=able,
        fraction=clopper_pearson(failed, decided),
        odd=tuple(known[i] for i in odd),
        drift=_drift(results, limit_ppm),
        groups=groups(plain, floor),
        apart=positions_apart(seats, floor, u_common_ppm),
        failures_in_a_row=rows_of_failures([word is Decision.PASS for word in words]),
        load=_load(
            load,
            capability(plain, limit_ppm, u_common_ppm) if odd else able,
            len(odd),
            u_common_ppm,
        ),
    )


def _typical_u(u_ppm: Sequence[float | None], u_common_ppm: float) -> float:
    """Return the standard uncertainty of one device that the others do not share."""
    stated = [u for u in u_ppm if u is not None]
    if not stated:
        return 0.0
    expanded = median(stated)
    own = max(0.0, expanded * expanded - u_common_ppm * u_common_ppm)
    return float(own**0.5 / 2.0)


def _drift(results: Sequence[DeviceResult], limit_ppm: float) -> InspectionTrend | None:
    timed = [
        (r.at_utc_ns, r.offset_ppm, r.ambient_c)
        for r in results
        if r.at_utc_ns is not None and r.offset_ppm is not None
    ]
    if not timed:
        return None
    at, offsets, ambient = zip(*timed, strict=True)
    return drift(at, offsets, ambient, limit_ppm)


def _load(
    load: Load | None, plain: Capability | None, left_out: int, u_common_ppm: float
) -> LoadHelp | None:
    if load is None or plain is None:
        return None
    common = Common(plain.mean_ppm, plain.sd_ppm.value, u_common_ppm, left_out)
    return load_help(load, common)
