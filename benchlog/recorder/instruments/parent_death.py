"""What becomes of a process when its keeper dies, however it dies."""

import contextlib
import ctypes
import signal
import sys
from typing import Final

_SET_DEATH_SIGNAL: Final = 1  # source: PR_SET_PDEATHSIG of linux/prctl.h


def signal_at_parents_death(number: signal.Signals) -> None:
    """Have Linux send this process a signal once its parent has ended.

    SIGKILL ends it; SIGCONT has one that was stopped go on and find its pipe at its
    end. Stays over an exec; elsewhere nothing is done.
    """
    if sys.platform == "linux":
        with contextlib.suppress(OSError, AttributeError):
            ctypes.CDLL(None).prctl(_SET_DEATH_SIGNAL, number)
