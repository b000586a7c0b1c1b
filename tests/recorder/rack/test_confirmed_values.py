"""What a counter says right after a hand-over may be of the device before."""

from benchlog.clock import HostClock
from benchlog.model import Sample
from benchlog.recorder.instruments.instrument_messages import Failed, Got
from benchlog.recorder.rack.confirmed_values import ConfirmedValues
from benchlog.recorder.rack.setter_handle import SetterReport

DARK = Failed(kind="no signal", message="", address="", command="", raw=b"9.91E+37")


def test_no_signal_of_a_gate_from_before_the_turn_is_nobodys():
    """It had been told of the device whose turn had just begun."""
    clock = HostClock(scale=10.0)
    asked: list[int] = []

    def ask():
        asked.append(len(asked) + 1)
        return asked[-1]

    def answer(number):
        return SetterReport(kind="state", number=number, read_back=102)

    values = ConfirmedValues(102, ask, answer, clock.deadline(1.0))
    values.add(DARK)
    assert not values.busy and values.confirmed() == [] and asked == []
    got = Got(Sample(1.0, "Hz", 0, 0, 1.0, b""))
    values.add(got)  # a value has stamps of its own, which tell when its gate began
    values.confirmed()
    assert values.confirmed() == [got]
    clock.sleep(1.1)
    values.add(DARK)  # it is still dark in the next gate
    values.confirmed()
    assert values.confirmed() == [DARK]
