"""One run at a time: what goes wrong with it harms no other of a list."""

from collections.abc import Iterator
from contextlib import contextmanager

from benchlog.errors import BenchlogError, UnreadableRunError
from benchlog.model import Run
from benchlog.units import printable


@contextmanager
def judged_alone(run: Run) -> Iterator[None]:
    """Turn what goes wrong with one run into UnreadableRunError: it harms no other.

    Rows that were damaged, or made by a stranger, can be of a kind that no formula
    foresees. Errors of ours, which tell what is missing, go through.
    """
    try:
        yield
    except (BenchlogError, MemoryError):
        raise
    except Exception as error:
        why = printable(f"{type(error).__name__}: {error}")
        raise UnreadableRunError(
            run.id, f"no figures come of what is recorded of it ({why})"
        ) from error
