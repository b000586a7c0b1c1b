"""A lot whose devices were trimmed: the code of each, what is left, who stayed out."""

from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Any, Final

from benchlog.evaluation.lots import lot_with_runs
from benchlog.model import Decision, Lot, Purpose
from benchlog.model.trims import (
    AFTER_BURN,
    AFTER_POWER_CYCLE,
    BURN_BEGUN,
    BURNED,
    DIFFERS,
    SET,
    TrimNote,
    trim_notes,
)
from benchlog.store.reader import Reader
from benchlog.verdict.lot.lot_decision import DeviceResult
from benchlog.verdict.lot.lot_report import LotReport

NOT_BURNED: Final = "not burned"
STATES: Final = {
    BURN_BEGUN: "burn begun",
    BURNED: "burned",
    AFTER_BURN: "burned",
    AFTER_POWER_CYCLE: "burned, verified after a power cycle",
    DIFFERS: "burned, runs elsewhere",
}
"""What the last of these notes makes of a device; of those without any nothing is
known of its permanent memory."""
_UNSURE: Final = (STATES[BURN_BEGUN], STATES[DIFFERS])


@dataclass(frozen=True, slots=True, kw_only=True)
class TrimmedChip:
    """One device: its code, where it was left, what a burn made of it.

    `best` is the best code where another one is set, which was burned before. `result`
    has the figures that count, of what stays; `set_ppm`, `after_burn_ppm` and
    `after_power_cycle_ppm` are None where nothing was measured then.
    """

    result: DeviceResult
    code: int | None
    steps: int | None = None
    set_ppm: float | None = None
    after_burn_ppm: float | None = None
    after_power_cycle_ppm: float | None = None
    burn: str = NOT_BURNED
    best: int | None = None

    @property
    def brought_in(self) -> bool:
        """Whether it is within its tolerance for sure, with the code that was found.

        One whose burn was begun and never looked at after a power cycle is not: the
        code that was measured is the one that was set.
        """
        return (
            self.result.word is Decision.PASS
            and self.code is not None
            and self.burn not in _UNSURE
        )

    @property
    def why_not(self) -> str:
        """Why it was not brought in; empty where it was."""
        if self.brought_in:
            return ""
        if self.code is None:
            return "no code was found"
        name = "its best code" if self.best is None else "the code burned before"
        if self.result.word is Decision.FAIL:
            return f"{name} leaves it beyond the tolerance"
        if self.result.word is Decision.UNDECIDED:
            return f"{name} leaves it too near the tolerance to tell"
        begun = self.burn == STATES[BURN_BEGUN]
        return f"{self.burn}, whether it took is not known" if begun else self.burn


@dataclass(frozen=True, slots=True, kw_only=True)
class TrimmedLot:
    """The devices of a lot in the order in which they were trimmed.

    `report` is that of a lot without a sampling plan. `left` are devices of which no
    run counts, with their newest run and why.
    """

    report: LotReport
    chips: tuple[TrimmedChip, ...]
    left: tuple[tuple[str, int, str], ...]

    @property
    def brought_in(self) -> tuple[TrimmedChip, ...]:
        """The devices that are within their tolerance with a code of their own."""
        return tuple(chip for chip in self.chips if chip.brought_in)

    @property
    def not_brought_in(self) -> tuple[tuple[str, int, str], ...]:
        """Device, run and reason of all others."""
        chips = [
            (chip.result.device, chip.result.run, chip.why_not)
            for chip in self.chips
            if not chip.brought_in
        ]
        return (*chips, *self.left)


def burn_of(notes: Iterable[TrimNote]) -> str:
    """Return what became of a device's permanent memory, of its trim's notes."""
    told = {note.what for note in notes}
    states = [STATES[what] for what in STATES if what in told]
    return states[-1] if states else NOT_BURNED


def trimmed_lot(reader: Reader, lot: Lot) -> TrimmedLot:
    """Return what trimming made of a lot; its sampling plan does not matter here."""
    report, _ = lot_with_runs(reader, replace(lot, plan=None), Purpose.TRIM)
    chips = tuple(
        _chip(result, trim_notes(event for _, event in reader.events(result.run)))
        for result in report.results
    )
    counted = {chip.result.device for chip in chips}
    newest = {run.device: run for run in report.runs if run.device not in counted}
    left = tuple((r.device, r.run, r.why_not_counted) for r in newest.values())
    return TrimmedLot(report=report, chips=chips, left=left)


def _chip(result: DeviceResult, notes: Iterable[TrimNote]) -> TrimmedChip:
    last: dict[str, TrimNote] = {note.what: note for note in notes}
    found = last.get(SET)
    offset = {what: note.offset_ppm for what, note in last.items()}
    return TrimmedChip(
        result=result,
        code=None if found is None else found.code,
        steps=None if found is None else found.steps,
        set_ppm=offset.get(SET),
        after_burn_ppm=offset.get(AFTER_BURN),
        after_power_cycle_ppm=offset.get(AFTER_POWER_CYCLE),
        burn=burn_of(last.values()),
        best=None if found is None else found.best,
    )


def trimmed_document(found: TrimmedLot) -> dict[str, Any]:
    """Return a trimmed lot as plain values, for scripts."""
    codes = sorted(chip.code for chip in found.chips if chip.code is not None)
    able = found.report.figures.capability
    offsets = [
        abs(chip.result.offset_ppm)
        for chip in found.chips
        if chip.result.offset_ppm is not None
    ]
    return {
        "lot": found.report.lot.lot,
        "part": found.report.part.id,
        "devices": [_device(chip) for chip in found.chips],
        "brought_in": len(found.brought_in),
        "not_brought_in": [
            {"device": device, "run": run, "why": why}
            for device, run, why in found.not_brought_in
        ],
        "limit_ppm": found.report.limit_ppm,
        "lowest_code": codes[0] if codes else None,
        "median_code": codes[len(codes) // 2] if codes else None,
        "highest_code": codes[-1] if codes else None,
        "mean_ppm": None if able is None else able.mean_ppm.value,
        "sd_ppm": None if able is None else able.sd_ppm.value,
        "largest_ppm": max(offsets, default=None),
        "simulated": any(run.simulated for run in found.report.runs),
    }


def _device(chip: TrimmedChip) -> dict[str, Any]:
    return {
        "device": chip.result.device,
        "run": chip.result.run,
        "code": chip.code,
        "offset_ppm": chip.result.offset_ppm,
        "u_ppm": chip.result.u_ppm,
        "verdict": chip.result.word.value,
        "brought_in": chip.brought_in,
        "burn": chip.burn,
        "set_ppm": chip.set_ppm,
        "after_burn_ppm": chip.after_burn_ppm,
        "after_power_cycle_ppm": chip.after_power_cycle_ppm,
        "steps": chip.steps,
        "position": chip.result.position,
    }
