"""Drawn sequences, lies and faults: nothing outside the bounds reaches a setter.

The 10,000 are `order_campaign.py`, kept in ORDERS.md; here the first 100 of a seed.
"""

from recorder.rack.order_campaign import campaign

from benchlog.recorder.rack.setter_process import SetterChild


def test_no_order_outside_the_bounds_reaches_a_setter():
    told, outside, counts = campaign(100, 24)
    assert outside == []
    assert told > 300
    assert counts["cut and gone on with"] > 5
    assert counts["wild orders"] > 20
    assert counts["ended: made safe"] > 5
    assert counts["ended: sequence complete"] > 5


def test_the_check_itself_sees_what_gets_through(monkeypatch):
    """A setter's process that checks nothing lets wild orders through: it is seen."""
    monkeypatch.setattr(SetterChild, "_within", lambda _, value: float(value or 0))
    _, outside, _ = campaign(30, 24)
    assert outside
