"""Whether a device was exchanged at all: readings that agree better than chance allows.

Where ids come from a list nobody sees a device go. Two devices of a part differ; runs
that agree within their own scatter are runs of one device, or of the same two figures
by chance, and how likely that is can be said.
"""

import math
from collections.abc import Iterable, Sequence
from itertools import pairwise
from typing import Final

from benchlog.verdict.lot.lot_decision import DeviceResult

SPREAD_SHARE: Final = 0.1
"""A delivery spreads by at least this share of its tolerance (sd): our rule; tighter
ones are rare, and then readings are the coarser for it in this test."""
FALSE_ALARMS: Final = 0.01
"""A lot of well exchanged devices is doubted no oftener than this; our rule."""


def not_exchanged(
    results: Sequence[DeviceResult], tolerance_ppm: float, u_common_ppm: float = 0.0
) -> dict[tuple[int, str], str]:
    """Return by run, with its UUID, why its device may be the one before.

    Nothing where all differ. Neighbours at one position agree when their offsets lie
    within what both are uncertain by, without the time base that they share
    (`u_common_ppm`, expanded). A stretch of them is told when it is less likely than
    `FALSE_ALARMS` for devices that spread by `SPREAD_SHARE` of the tolerance, over all
    neighbours of the lot.
    """
    found: dict[tuple[int, str], str] = {}
    pairs = [pair for seat in _seats(results) for pair in pairwise(seat)]
    for seat in _seats(results):
        for stretch in _alike(seat, u_common_ppm):
            chance = len(pairs) * math.prod(
                _chance(a, b, tolerance_ppm, u_common_ppm) for a, b in pairwise(stretch)
            )
            if chance < FALSE_ALARMS:
                found |= {(b.run, b.uid): _said(a) for a, b in pairwise(stretch)}
    return found


def _said(before: DeviceResult) -> str:
    return (
        f"reads as {before.device} did in run {before.run}, closer than two devices "
        "do by chance: was it exchanged?"
    )


def _seats(results: Sequence[DeviceResult]) -> Iterable[list[DeviceResult]]:
    """Return the results with figures at each position of a bench, by time."""
    seats: dict[tuple[str, str], list[DeviceResult]] = {}
    for one in sorted(results, key=lambda one: (one.at_utc_ns or 0, one.run)):
        if one.offset_ppm is not None and one.u_ppm is not None and not one.marked:
            seats.setdefault((one.bench, one.position), []).append(one)
    return seats.values()


def _alike(
    seat: Sequence[DeviceResult], u_common_ppm: float
) -> Iterable[list[DeviceResult]]:
    """Return stretches of neighbours that agree, two at least."""
    stretches = [list(seat[:1])]
    for before, one in pairwise(seat):
        apart = abs((one.offset_ppm or 0.0) - (before.offset_ppm or 0.0))
        if apart > _allowed_ppm(before, one, u_common_ppm):
            stretches.append([])
        stretches[-1].append(one)
    return [stretch for stretch in stretches if len(stretch) > 1]


def _allowed_ppm(a: DeviceResult, b: DeviceResult, u_common_ppm: float) -> float:
    """Return by how much two runs of one device may differ (95 %)."""
    own = ((one.u_ppm or 0.0) ** 2 - u_common_ppm**2 for one in (a, b))
    return math.sqrt(sum(max(0.0, square) for square in own))


def _chance(
    a: DeviceResult, b: DeviceResult, tolerance_ppm: float, u_common_ppm: float
) -> float:
    """Return how likely two devices agree so well: their difference is normal."""
    allowed = _allowed_ppm(a, b, u_common_ppm)
    spread = SPREAD_SHARE * tolerance_ppm * math.sqrt(2.0)
    return math.erf(allowed / (spread * math.sqrt(2.0))) if spread else 1.0
