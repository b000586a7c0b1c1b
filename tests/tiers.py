"""Which cases of a test every run has, and which are for the campaigns of CI."""

import pytest


def seldom(*values: object):
    """Return a case for the campaigns: one of a kind that every run has beside it."""
    return pytest.param(*values, marks=pytest.mark.campaign)
