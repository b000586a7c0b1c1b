"""One run of a rack by itself: its device as the sequence found it."""

from dataclasses import replace

from benchlog.errors import DataError
from benchlog.evaluation.rack_study import QualifiedDevice, plan_of, qualified
from benchlog.model import Purpose, Run
from benchlog.store.reader import Reader


def qualified_in(reader: Reader, run: Run) -> QualifiedDevice | None:
    """Return the device of a run of a rack; None for other runs.

    A plan that cannot be read makes the run one like others: its readings are shown.
    """
    if run.made_for is not Purpose.QUALIFY:
        return None
    try:
        plan = plan_of(run)
    except DataError:
        return None
    return None if plan is None else qualified(reader, run, plan)


def with_found(reader: Reader, run: Run) -> Run:
    """Return a run of a rack with offset at reference, its U and the verdict found.

    The mean of readings at many places is no figure of a device.
    """
    one = qualified_in(reader, run)
    if one is None:
        return run
    offset = next((c for c in one.found if c.name == "offset-at-reference"), None)
    return replace(
        run,
        offset_ppm=None if offset is None else offset.value,
        u_ppm=None if offset is None else offset.u,
        verdict=one.verdict.value,
    )
