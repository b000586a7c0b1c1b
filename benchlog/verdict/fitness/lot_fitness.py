"""What all devices of a lot are good for: how many fit, and which is the worst."""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from benchlog.verdict.fitness.fitness import Fitness, FitnessDecision


@dataclass(frozen=True, slots=True)
class DeviceFitness:
    """What one device of a lot is good for, by its run; the uses in a fixed order."""

    device: str
    run: int
    uses: tuple[Fitness, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class LotFitness:
    """One use, asked of all devices of a lot.

    Parameters
    ----------
    worst : Fitness
        Of the device with the least margin.
    device, run : str, int
        Which one that is.
    fits, marginal, unfit : int
        How many devices are how good.

    """

    worst: Fitness
    device: str
    run: int
    fits: int
    marginal: int
    unfit: int

    @property
    def devices(self) -> int:
        """How many were asked."""
        return self.fits + self.marginal + self.unfit


def lot_fitness(devices: Sequence[DeviceFitness]) -> tuple[LotFitness, ...]:
    """Return each use over all devices, in the order of the uses; empty for none."""
    columns = zip(*(one.uses for one in devices), strict=True)
    return tuple(_of_use(devices, column) for column in columns)


def _of_use(
    devices: Sequence[DeviceFitness], column: tuple[Fitness, ...]
) -> LotFitness:
    ranks = list(FitnessDecision)
    at = max(
        range(len(column)),
        key=lambda i: (ranks.index(column[i].verdict), column[i].worst_ppm),
    )
    told = Counter(one.verdict for one in column)
    return LotFitness(
        worst=column[at],
        device=devices[at].device,
        run=devices[at].run,
        fits=told[FitnessDecision.FITS],
        marginal=told[FitnessDecision.MARGINAL],
        unfit=told[FitnessDecision.UNFIT],
    )
