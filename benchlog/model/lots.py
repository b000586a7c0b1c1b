"""Lots, and their runs as a decision needs them."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from benchlog.model.counting import RunState, why_not_counted
from benchlog.model.kinds import Purpose

ORDER: Final = "order"
"""The key of the order number in the document that is kept with a lot's plan."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Lot:
    """A delivery: part, supplier, size, sampling plan, decision.

    `plan` is what the lot was opened with, as plain values; None where devices were
    measured under the lot's name and no plan was made.
    """

    lot: str
    part_id: str
    supplier: str = ""
    size: int | None = None
    plan: Mapping[str, object] | None = None
    decision: str | None = None
    opened_utc_ns: int = 0

    @property
    def order(self) -> str:
        """The order number of the delivery, kept with the plan; empty where unknown."""
        kept = (self.plan or {}).get(ORDER)
        return kept if isinstance(kept, str) else ""


@dataclass(frozen=True, slots=True, kw_only=True)
class LotRun:
    """One run of a lot as its decision needs it; None is unknown.

    `set_aside`, `damaged` and `marked` say that such an event is in the run, `void` why
    it is void, if so. `held` is what is asked of its device until a person answers.
    `tolerance_ppm` is what its part promises at the reference temperature,
    `over_temperature` whether it was begun to be held against more. `judged_as` is the
    part that its verdict is on, where that is not the part of the lot. `uid` tells it
    from a run of the same number of another database, `bench` its position from
    another's.
    """

    run: int
    device: str
    position: str
    started_utc_ns: int
    ended_how: str | None
    word: str | None
    offset_ppm: float | None = None
    u_ppm: float | None = None
    limit_ppm: float | None = None
    ambient_c: float | None = None
    readings: int | None = None
    set_aside: bool = False
    damaged: bool = False
    held: str = ""
    marked: bool = False
    simulated: bool = False
    void: str | None = None
    purpose: Purpose = Purpose.INSPECT
    planned: bool = True
    tolerance_ppm: float | None = None
    over_temperature: bool = False
    judged_as: str = ""
    uid: str = ""
    bench: str = ""

    @property
    def why_not_counted(self) -> str:
        """Why it does not count for its lot; empty where the newest of its kind does.

        Which of several runs of a device is the newest, the lot's report decides.
        """
        return why_not_counted(_state_of_lot_run(self))

    @property
    def is_disturbed(self) -> bool:
        """Whether its readings give way to those of a run without a mark."""
        return _state_of_lot_run(self).is_disturbed

    @property
    def counts(self) -> bool:
        """Whether it counts for its lot, as long as none follows that counts."""
        return not self.why_not_counted


def _state_of_lot_run(run: LotRun) -> RunState:
    return RunState(
        void=run.void,
        set_aside=run.set_aside,
        damaged=run.damaged,
        held=bool(run.held),
        marked=run.marked,
        ended_how=run.ended_how,
        purpose=run.purpose,
        planned=run.planned,
        judged=run.word is not None,
    )
