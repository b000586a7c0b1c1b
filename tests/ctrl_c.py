"""Ctrl-C as a person presses it: a real signal, also where a shell has it ignored."""

import signal


def press_ctrl_c() -> None:
    """Raise SIGINT in this process; KeyboardInterrupt comes of it."""
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    try:
        signal.raise_signal(signal.SIGINT)
    finally:
        signal.signal(signal.SIGINT, before)
