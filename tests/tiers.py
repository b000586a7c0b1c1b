"""Which tests every run has, which are for CI, which a busy computer may disturb."""

import pytest

TIMED = (
    *("cli/test_held_counter.py", "cli/test_learnt_soak.py", "cli/test_measure.py"),
    *("cli/test_refcheck.py", "cli/test_reference_chain.py", "cli/test_serving.py"),
    *("cli/test_sigterm.py", "cli/test_soak.py", "cli/test_stop.py"),
    *("cli/test_terminal.py", "drivers/test_contract.py", "drivers/test_fixes.py"),
    *("drivers/test_late_halves.py", "drivers/test_setter_contract.py"),
    *("forwarding/test_following.py", "forwarding/test_silent_network.py"),
    *("forwarding/test_to_datasets.py", "inspect", "recorder/rack"),
    *("recorder/test_exchanged_counters.py", "recorder/test_frozen.py"),
    *("recorder/test_instrument_check.py", "recorder/test_keeper.py"),
    *("recorder/test_late_ends.py", "recorder/test_launch.py"),
    *("recorder/test_resume.py", "recorder/test_supervision.py"),
    *("screen/test_next_device.py", "screen/test_rack_screen.py"),
    *("screen/test_sibling_runs.py", "simulate/test_counting_modes.py"),
    *("store/test_kill.py", "store/test_schema.py", "store/test_trouble.py"),
    *("trim/test_line.py", "trim/test_scanned_trim.py", "trim/test_trim.py"),
)
"""Where processes, sockets and the clock are real, so that a busy computer shows."""


def seldom(*values: object):
    """Return a case for the campaigns: one of a kind that every run has beside it."""
    return pytest.param(*values, marks=pytest.mark.campaign)
