"""Drawn sequences, lies and faults: nothing outside the bounds reaches a setter.

The 10,000 are `order_campaign.py`, kept in ORDERS.md; here the first 20 of a seed, in
campaigns 100.
"""

import pytest
from recorder.rack.order_campaign import campaign

from benchlog.recorder.rack.setter_process import SetterChild


@pytest.mark.parametrize("cases", [20, pytest.param(100, marks=pytest.mark.campaign)])
def test_no_order_outside_the_bounds_reaches_a_setter(cases):
    told, outside, counts = campaign(cases, 24)
    assert outside == []
    assert told > 3 * cases
    assert counts["cut and gone on with"] > cases / 20
    assert counts["wild orders"] > cases / 5
    assert counts["ended: made safe"] > cases / 20
    assert counts["ended: sequence complete"] > cases / 20


def test_the_check_itself_sees_what_gets_through(monkeypatch):
    """A setter's process that checks nothing lets wild orders through: it is seen."""
    monkeypatch.setattr(SetterChild, "_within", lambda _, value: float(value or 0))
    _, outside, _ = campaign(30, 24)
    assert outside
