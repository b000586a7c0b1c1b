"""What a person types: one file per command, loaded when typed."""

import gc
import os
import signal
from typing import Final

from benchlog.cli.error_handling import let_go_of_output
from benchlog.cli.group import root
from benchlog.cli.standard_streams import make_usable
from benchlog.priority import give_way

_COLLECT_EVERY: Final = 50_000
"""Containers made between two searches for circles of them; our rule: some MB at most,
of a keeper as of a list.

Pages of rows are lists of tuples without a circle: at Python's 700 a quarter of the
time of an export went into searching them, and a twentieth of a short command's.
"""


def main() -> None:
    """Run the command line; the entry point `benchlog`."""
    gc.set_threshold(_COLLECT_EVERY)
    _hear_signals()
    # Matrices here are small. numpy's threads for them spin while they wait for each
    # other: on a busy machine `ageing` took 2.5 times the processor time with them.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    make_usable()
    try:
        root.main(prog_name="benchlog", obj=give_way)
    finally:
        let_go_of_output()


def _hear_signals() -> None:
    """Undo what whoever started us has set of signals, for us and all that we start.

    Where SIGCHLD is ignored the system does not tell how a program ended, and Python
    takes that for success: a burn, an order, a message that had failed. One that is
    blocked is never heard. A signal that is ignored otherwise (nohup) stays so.
    """
    if hasattr(signal, "SIGCHLD"):
        signal.signal(signal.SIGCHLD, signal.SIG_DFL)
        signal.pthread_sigmask(signal.SIG_SETMASK, ())


__all__ = ["main", "root"]
