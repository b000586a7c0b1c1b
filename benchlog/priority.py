"""Who goes first on this computer: what measures. Whatever looks on gives way."""

import errno
import glob
import os
from pathlib import Path
from typing import Final

from benchlog.clock import host_sleep

BESIDE: Final = 10
"""Niceness of what works beside a keeper. Our rule: half of what there is; what it does
for a keeper's gates is in tests/soak/RESULTS.md, "Everything at once"."""

_OF_SESSION: Final = Path("/proc/self/autogroup")
_PAUSE_S: Final = 0.11
"""Linux takes one such order in a tenth of a second from those who are not its root
(`proc_sched_autogroup_set_nice`, from memory)."""
_TRIES: Final = 3
"""Our rule: three orders at once are heard, and nobody waits long for the others."""


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
        _let_the_session_give_way()


def _let_the_session_give_way() -> None:
    for _ in range(_TRIES):
        try:
            _OF_SESSION.write_text(str(BESIDE))
        except OSError as error:
            if error.errno != errno.EAGAIN:
                return  # no shares by session on this computer
            host_sleep(_PAUSE_S)  # somebody else's order came just before
        else:
            return


def keeper_beside(database: Path) -> bool:
    """Whether a keeper seems to listen at a database; asks nobody, waits for nothing.

    A dead keeper's socket counts too: who gives way to nobody loses nothing.
    """
    pattern = glob.escape(database.name) + ".*.sock"
    return next(database.parent.glob(pattern), None) is not None
