"""Who goes first on this computer: what measures. Whatever looks on gives way."""

import contextlib
import glob
import os
from pathlib import Path
from typing import Final

BESIDE: Final = 10
"""Niceness of what works beside a keeper. Our rule: half of what there is; beside four
onlookers, reports, backups and alarms, gates came late half as much with it
(tests/soak/RESULTS.md)."""

_OF_SESSION: Final = Path("/proc/self/autogroup")


def give_way() -> None:
    """Let everything else on this computer go first, keepers above all.

    What this process starts from now on gives way as well: no keeper may be among it.
    """
    if hasattr(os, "setpriority"):
        now = os.getpriority(os.PRIO_PROCESS, 0)
        os.setpriority(os.PRIO_PROCESS, 0, max(now, BESIDE))
    if hasattr(os, "getsid") and os.getsid(0) == os.getpid():
        # Linux shares time out among sessions first, and within one by niceness: a
        # session of our own has its niceness here (sched(7), "The autogroup feature").
        with contextlib.suppress(OSError):
            _OF_SESSION.write_text(str(BESIDE))


def keeper_beside(database: Path) -> bool:
    """Whether a keeper seems to listen at a database; asks nobody, waits for nothing.

    A dead keeper's socket counts too: who gives way to nobody loses nothing.
    """
    pattern = glob.escape(database.name) + ".*.sock"
    return next(database.parent.glob(pattern), None) is not None
