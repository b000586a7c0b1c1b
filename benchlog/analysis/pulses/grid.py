"""Pulses against the grid they should lie on: missed, doubled, bouncing, early, late.

A train is followed pulse by pulse: each stamp is put on the next place of a grid whose
spacing is learnt as it goes on, so neither the host's rate nor the source's offset is
assumed. A stamp that fits no place is named and set aside, never moved. Where the place
cannot be told any more (after a long silence, or when the pulses jump to another grid)
a new block begins; phase is not known across blocks.

The bounds (fractions of the spacing) are common practice, no source.
"""

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Final, NamedTuple

import numpy as np

from benchlog.analysis.pulses.train import PulseCounts, PulseKind, PulseTrain
from benchlog.errors import DataError
from benchlog.model import Flag
from benchlog.units import NS_PER_S

# FIRST_FIT, BOUNCE: common practice, no source. FIT, _SURE, _JUMPED: the same, and
# tests/finders/grid_bounds.py. Criterion: fewest wrong among the good, few pulses lost.
FIRST_FIT: Final = 0.2
"""How far the first spacing of a block may be from nominal."""
FIT: Final = 0.1
"""How far a pulse may be from its place; beyond it is early or late."""
BOUNCE: Final = 0.05
"""An extra pulse this soon after a good one is a bounce, later it is a doubled one."""
_SURE: Final = 0.25  # the place after a silence must be known this well
_JUMPED: Final = 3  # misfits in a row that fit each other: the grid has jumped


class GridBounds(NamedTuple):
    """How near a pulse and its place must be, and when the grid has jumped."""

    fit: float = FIT
    sure: float = _SURE
    jumped: int = _JUMPED


_BOUNDS: Final = GridBounds()
# definition: an enum's bit masks slowly, and its members are slow to look up
_NO_FIX_FLAG: Final = int(Flag.NO_FIX)
_GOOD, _NO_FIX, _WAITING = PulseKind.GOOD, PulseKind.NO_FIX, PulseKind.WAITING


@dataclass(slots=True, kw_only=True)
class _Block:
    """What is known of the grid in the current block."""

    first_ns: int
    last_ns: int
    place: int
    period_ns: float
    stray: list[int] = field(default_factory=list)  # numbers of misfits in a row
    unfixed: int = 0  # pulses without fix since the last good one

    @property
    def period_doubt(self) -> float:
        """How well the period is known, as a fraction of itself."""
        return FIRST_FIT / 2 / max(1, self.place)


class PulseTracker:
    """Follows one train; feed it stamps in the order of time.

    Parameters
    ----------
    nominal_s : float
        Spacing of the pulses in s if the source were on nominal.
    bounds : GridBounds

    """

    def __init__(self, nominal_s: float, bounds: GridBounds = _BOUNDS) -> None:
        if not 0 < nominal_s < float("inf"):
            raise DataError(f"pulses cannot be {nominal_s!r} s apart")
        self.nominal_s, self._bounds = nominal_s, bounds
        self.kinds: list[PulseKind] = []
        self._stamps: list[int] = []
        self._places: list[int] = []
        self._blocks: list[int] = []
        self._block: _Block | None = None
        self._waiting: int | None = None
        self._count = 0
        self._missed = self._unseen = 0
        self._segment: int | None = None
        self._segments: list[int] = []
        self._sequence: int | None = None

    @property
    def stamps(self) -> tuple[list[int], list[int]]:
        """Every stamp, those set aside included, and the segment of each."""
        return self._stamps, self._segments

    def __len__(self) -> int:
        return len(self._stamps)

    def feed(
        self,
        mono_ns: Iterable[int],
        sequence: Iterable[int],
        flags: Iterable[int],
        segment: Iterable[int],
    ) -> None:
        """Take in stamps that follow those before, with all that is known of them."""
        each = zip(mono_ns, sequence, flags, segment, strict=True)
        for stamp, number, flag, part in each:
            self._one(int(stamp), int(number), bool(flag & _NO_FIX_FLAG), int(part))

    def train(self) -> PulseTrain:
        """Return the good pulses so far."""
        kinds = np.array(self.kinds, dtype=np.int64)
        good = np.flatnonzero(kinds == PulseKind.GOOD)
        stamps, places, blocks = (
            np.array(column, dtype=np.int64)[good]
            for column in (self._stamps, self._places, self._blocks)
        )
        return PulseTrain(stamps, places, blocks, self.nominal_s)

    def counts(self) -> PulseCounts:
        """Return how many of each kind there are so far."""
        n = np.bincount(
            np.array(self.kinds, dtype=np.int64), minlength=len(PulseKind)
        ).tolist()
        return PulseCounts(
            good=n[PulseKind.GOOD],
            missed=self._missed,
            doubled=n[PulseKind.DOUBLED],
            bounced=n[PulseKind.BOUNCE],
            early=n[PulseKind.EARLY],
            late=n[PulseKind.LATE],
            no_fix=n[PulseKind.NO_FIX],
            unseen=self._unseen,
            blocks=self._count,
        )

    # --- one stamp ------------------------------------------------------------------

    def _one(self, stamp: int, number: int, no_fix: bool, segment: int) -> None:
        if segment != self._segment:
            self._segment, self._sequence = segment, None
            self._lose()
        before, self._sequence = self._sequence, number
        if before is not None and number > before + 1:
            self._unseen += number - before - 1
        self._segments.append(segment)
        self._add(stamp, _NO_FIX if no_fix else _WAITING)
        if no_fix:
            if self._block is not None:
                self._block.unfixed += 1
            return
        if self._block is None:
            self._find_first(len(self) - 1)
        else:
            self._place(len(self) - 1, self._block)

    def _add(self, stamp: int, kind: PulseKind) -> None:
        self._stamps.append(stamp)
        self.kinds.append(kind)
        self._places.append(0)
        self._blocks.append(0)

    def _find_first(self, at: int) -> None:
        """Begin a block where two stamps lie a plausible spacing apart."""
        before = self._waiting
        self._waiting = at
        if before is None:
            return
        spacing_ns = self._stamps[at] - self._stamps[before]
        ratio = spacing_ns / (self.nominal_s * NS_PER_S)
        if abs(ratio - 1) <= FIRST_FIT:
            self._begin([before, at], float(spacing_ns))
        elif ratio < 1:
            # the later one may be the extra one: keep the first, call it doubled
            self.kinds[at] = PulseKind.DOUBLED if ratio > BOUNCE else PulseKind.BOUNCE
            self._waiting = before if ratio < 1 - FIRST_FIT else at
        else:
            self.kinds[before] = PulseKind.EARLY

    def _begin(self, members: list[int], period_ns: float) -> None:
        self._count += 1
        first, last = self._stamps[members[0]], self._stamps[members[-1]]
        for member in members:
            place = round((self._stamps[member] - first) / period_ns)
            self._good(member, place)
        place = self._places[members[-1]]
        self._block = _Block(
            first_ns=first, last_ns=last, place=place, period_ns=period_ns
        )
        self._waiting = None

    def _good(self, at: int, place: int) -> None:
        self.kinds[at] = _GOOD
        self._places[at], self._blocks[at] = place, self._count

    def _lose(self) -> None:
        """Forget the grid: where the next pulse belongs cannot be told."""
        self._block, self._waiting = None, None

    def _place(self, at: int, block: _Block) -> None:
        """Put a stamp on the grid, or name what is wrong with it."""
        since = (self._stamps[at] - block.last_ns) / block.period_ns
        steps = round(since)
        if steps > 1 and steps * block.period_doubt > self._bounds.sure:
            self._lose()
            self._find_first(at)
            return
        astray = since - steps
        if steps >= 1 and abs(astray) <= self._bounds.fit:
            self._fits(at, steps, block)
        elif steps < 1:
            bounce = since <= BOUNCE
            self.kinds[at] = PulseKind.BOUNCE if bounce else PulseKind.DOUBLED
            self._strays(at, block)
        else:
            self.kinds[at] = PulseKind.LATE if astray > 0 else PulseKind.EARLY
            self._strays(at, block)

    def _fits(self, at: int, steps: int, block: _Block) -> None:
        self._missed += max(0, steps - 1 - block.unfixed)
        block.place += steps
        block.last_ns = self._stamps[at]
        block.period_ns = (block.last_ns - block.first_ns) / block.place
        block.unfixed = 0
        block.stray.clear()
        self._good(at, block.place)

    def _strays(self, at: int, block: _Block) -> None:
        """Note a misfit; several in a row that fit each other are the new grid."""
        block.stray.append(at)
        if len(block.stray) < self._bounds.jumped:
            return
        last = block.stray[-self._bounds.jumped :]
        steps = np.diff([self._stamps[one] for one in last]) / block.period_ns
        fit = self._bounds.fit
        if np.all(np.abs(steps - np.round(steps)) <= fit) and np.all(steps > 1 - fit):
            self._begin(last, block.period_ns)
