"""What synchronisation leaves of a source's error.

A receiver that counts a field of known length takes over the sender's rate anew before
each frame. What stays the same from the field to the end of the frame goes with it: the
offset, what temperature and age have made of it, and the uncertainty of all that. What
stays is what moves within a frame, and the resolution of the count.
"""

from dataclasses import replace
from typing import Final

from benchlog.model import Synchronisation
from benchlog.verdict.fitness.source import Source, Swing

SYNCHRONISATION: Final = "synchronisation"


def count_error_ppm(sync: Synchronisation) -> float:
    """Return the resolution of the count: one sample of all that the field has.

    Each end of the field is found up to one sample late, so that their difference is
    off by less than one sample either way.
    """
    return 1e6 / (sync.bits * sync.samples)


def after_synchronisation(source: Source, sync: Synchronisation) -> Source:
    """Return the source as it is once it has taken over the other end's rate."""
    left = count_error_ppm(sync)
    counted = Swing(
        name=SYNCHRONISATION,
        low_ppm=-left,
        high_ppm=left,
        text=(
            f"{sync.bits} bits counted in parts of 1/{sync.samples} bit; the offset "
            "before it is removed"
        ),
    )
    moving = (term for term in source.terms if term.of_the_moment)
    return replace(
        source,
        offset_ppm=0.0,
        u_ppm=None if source.u_ppm is None else 0.0,
        terms=(counted, *moving),
    )
