"""A pause after "no signal" is over when the next device's turn begins.

Before, it lasted 0.2 s to 5 s: behind a scanner the next device waited for it, and on a
bench that runs a hundred times as fast these were 20 s to 500 s.
"""

from multiprocessing import Pipe

import pytest

from benchlog.clock import host_deadline
from benchlog.recorder.instruments.instrument_messages import Allow, Order
from benchlog.recorder.instruments.instrument_process import Orders

LONG_S = 20.0


@pytest.fixture
def ordered():
    here, there = Pipe()
    orders = Orders(there, hold=True)
    yield orders, here
    # kept open: an end of the pipe would end this process, as it ends an instrument's
    orders._kept = here  # private: as long as its thread listens


@pytest.mark.parametrize("order", [Allow(1), Order.GO])
def test_an_order_to_read_ends_the_pause(ordered, order):
    orders, keeper = ordered
    limit, begun = host_deadline(LONG_S / 2), orders.begun
    keeper.send(order)
    assert orders.rest(LONG_S, begun), "also where it came before the pause began"
    assert not limit.passed


def test_an_order_to_hold_does_not_end_it(ordered):
    orders, keeper = ordered
    keeper.send(Order.HOLD)
    assert not orders.rest(0.05, orders.begun)
    assert not orders.rest(0.05)
