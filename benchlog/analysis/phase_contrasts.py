"""The slowest motions of a run's phase, and what each noise makes of them.

A contrast is the sum of a run's mean phases over one of the discrete Legendre
polynomials from the second degree on: neither where the phase begins nor the mean
frequency is in it. Under white PM all have the same variance and are independent; the
covariances under the other noises follow from their spectra.
"""

from functools import lru_cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

from benchlog.analysis.phase_blocks import BlockPhases

Array = NDArray[np.float64]

CONTRASTS: Final = 8  # our rule: the motions that last longer than T/5 or so
FEWEST_BLOCKS: Final = 8  # our rule: below, octaves and slope tell as much
_FINE: Final = 4  # our rule: phases to a block from which more change nothing
_PADDED: Final = 8  # our rule: the spectrum's steps are 1/8 of the run's own


def contrasts_of(blocks: BlockPhases) -> Array | None:
    """Return the contrasts of a run over its length in readings, shape (contrasts,).

    In the unit of its frequencies; None of too few blocks.
    """
    if len(blocks.means) < FEWEST_BLOCKS:
        return None
    found: Array = _polynomials(len(blocks.means)) @ np.array(blocks.means)
    return found / _readings(len(blocks.means), blocks.length)


@lru_cache(maxsize=256)
def covariances(blocks: int, length: int) -> Array:
    """Return the contrasts' covariances, shape (4, contrasts, contrasts).

    Of white PM, white FM, flicker FM and random-walk FM, each with an Allan variance
    of 1 at the length of the run.
    """
    fine = min(length, _FINE)
    slow = _of_frequency(blocks, fine) / _readings(blocks, fine) ** 2
    white_pm = np.eye(slow.shape[1]) / (3.0 * length)
    return np.concatenate([white_pm[None], slow])


def _readings(blocks: int, length: int) -> int:
    return blocks * length - 1


@lru_cache(maxsize=64)
def _polynomials(blocks: int) -> Array:
    """Return orthonormal rows from the second degree on, shape (contrasts, blocks)."""
    many = min(CONTRASTS, blocks - 3)
    at = np.linspace(-1.0, 1.0, blocks)
    basis, _ = np.linalg.qr(np.polynomial.legendre.legvander(at, many + 1))
    return np.asarray(basis[:, 2:].T.copy())


@lru_cache(maxsize=256)
def _of_frequency(blocks: int, length: int) -> Array:
    """Return covariances under white, flicker and random-walk FM, as above."""
    on_phase = np.repeat(_polynomials(blocks) / length, length, axis=1)
    # a reading enters all phases after it
    weights = -np.cumsum(on_phase, axis=1)[:, :-1]
    n = weights.shape[1]
    white = weights @ weights.T * n
    walk = np.cumsum(weights[:, ::-1], axis=1)
    walked = walk @ walk.T * 6.0 * n / (2.0 * n * n + 1.0)
    return np.stack([white, _under_flicker(weights), walked])


def _under_flicker(weights: Array) -> Array:
    """Sum over S(f) = 1/f; its Allan variance at n by the same sum (SP 1065, 4.2)."""
    n = weights.shape[1]
    size = 1 << int(np.ceil(np.log2(_PADDED * n)))
    f = np.arange(1, size // 2) / size
    spectrum = np.fft.rfft(weights, size, axis=1)[:, 1 : size // 2]
    gain = 2.0 * np.sin(np.pi * f * n) ** 4 / (n * np.sin(np.pi * f)) ** 2
    found = np.real((spectrum / f) @ spectrum.conj().T)
    return np.asarray(found / np.sum(gain / f))
