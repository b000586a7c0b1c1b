"""matplotlib, imported without a word from whoever filled the current folder."""

import contextlib
import os
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final

_THEIRS: Final = "matplotlibrc"
"""What matplotlib reads in the current folder when it is first imported; a pipe would
be waited for without an end."""


def import_matplotlib() -> Any:
    """Return matplotlib; where it is new and the folder has settings, not with these.

    To be called before anything of matplotlib is imported.
    """
    with contextlib.ExitStack() as stack:
        if "matplotlib" not in sys.modules and os.path.lexists(_THEIRS):
            stack.enter_context(_elsewhere())
        import matplotlib as mpl  # noqa: PLC0415 - heavy, and only for pictures

        return mpl


@contextlib.contextmanager
def _elsewhere() -> Iterator[None]:
    """Be in our own folder within a `with` block; where we cannot come back, stay."""
    try:
        here = os.open(".", getattr(os, "O_PATH", os.O_RDONLY))
    except OSError:
        yield
        return
    try:
        os.chdir(Path(__file__).parent)
        yield
    finally:
        os.fchdir(here)
        os.close(here)
