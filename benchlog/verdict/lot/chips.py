"""Devices of one delivery beside each other: spread, ranking, common shift."""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from benchlog.errors import DataError, NotFoundError
from benchlog.verdict.run.budget import mean_half_ppm


@dataclass(frozen=True, slots=True, kw_only=True)
class Chip:
    """One device with what was found of it; `u_ppm` is U (95 %)."""

    device: str
    run: int
    offset_ppm: float
    u_ppm: float
    word: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ChipSpread:
    """What a group of devices has in common, and how it differs.

    `shift_ppm` is the mean offset with its 95 % interval: Student's t over the devices
    (JCGM 100 4.2), and what they share, `u_common_ppm` of the counter's time base
    (5.1.2), convolved. `shared` is whether that excludes zero. `sd_ppm` is the spread
    from device to device, None with one device. `ranking` runs from the closest to
    nominal to the farthest.
    """

    n: int
    shift_ppm: float
    low_ppm: float | None
    high_ppm: float | None
    sd_ppm: float | None
    shared: bool
    ranking: tuple[Chip, ...]
    u_common_ppm: float = 0.0


def unknown_lot(lot: str, known: Iterable[str]) -> NotFoundError:
    """Return the error for a lot that no device is of."""
    return NotFoundError("lot", lot, known, "(`benchlog lots` lists them)")


def spread_of(chips: Sequence[Chip], u_common_ppm: float = 0.0) -> ChipSpread:
    """Compare devices. Raises DataError when there are none.

    `u_common_ppm` is the expanded uncertainty (95 %) that all of them share.
    """
    if not chips:
        raise DataError("no device of this lot has a figure yet; measure one")
    ranking = tuple(sorted(chips, key=lambda chip: (abs(chip.offset_ppm), chip.device)))
    n = len(chips)
    mean = math.fsum(chip.offset_ppm for chip in chips) / n
    if n == 1:
        return ChipSpread(
            n=1,
            shift_ppm=mean,
            low_ppm=None,
            high_ppm=None,
            sd_ppm=None,
            shared=False,
            ranking=ranking,
            u_common_ppm=u_common_ppm,
        )
    squares = math.fsum((chip.offset_ppm - mean) ** 2 for chip in chips)
    sd = math.sqrt(squares / (n - 1))
    half = mean_half_ppm(sd, n, u_common_ppm)
    return ChipSpread(
        n=n,
        shift_ppm=mean,
        low_ppm=mean - half,
        high_ppm=mean + half,
        sd_ppm=sd,
        shared=abs(mean) > half,
        ranking=ranking,
        u_common_ppm=u_common_ppm,
    )
