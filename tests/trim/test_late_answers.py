"""A gate that began before a code was set never counts, however late it was read.

A counter measures on command, so a gate is armed once the answer before it has been
read; a starved computer reads answers late and stamps them then.
"""

from hypothesis import given
from hypothesis import strategies as st

from benchlog.model import Sample
from benchlog.recorder.run.device_settling import gated_since
from benchlog.units import NS_PER_S

GATE_S = 0.2
GATE_NS = round(GATE_S * NS_PER_S)


def answers(late_ns):
    """Return samples as they are stamped, and when each gate truly began."""
    now_ns, samples, began = 0, [], []
    for late in late_ns:
        began.append(now_ns)
        now_ns += GATE_NS + late
        samples.append(Sample(10e6, "Hz", now_ns, now_ns, GATE_S))
    return samples, began


def counted(samples, since_ns):
    """Return which samples count, each with the one before it."""
    before = [None, *(one.mono_ns for one in samples)]
    return [
        gated_since(one, before_ns, since_ns)
        for one, before_ns in zip(samples, before, strict=False)
    ]


@given(
    late_ns=st.lists(st.integers(0, 3 * GATE_NS), min_size=2, max_size=12),
    since_ns=st.integers(0, 20 * GATE_NS),
)
def test_no_gate_counts_that_began_before_the_code_was_set(late_ns, since_ns):
    samples, began = answers(late_ns)
    for is_counted, began_ns in zip(counted(samples, since_ns), began, strict=True):
        assert not is_counted or began_ns >= since_ns


@given(since_ns=st.integers(0, 8 * GATE_NS))
def test_answers_in_time_count_from_the_first_whole_gate(since_ns):
    samples, began = answers([0] * 10)
    first = next(n for n, began_ns in enumerate(began) if began_ns >= since_ns)
    # of the very first gate of a run nothing tells when it was armed
    assert counted(samples, since_ns).index(True) == max(1, first)


def test_a_late_answer_whose_gate_seems_to_have_begun_in_time_does_not_count():
    samples, began = answers([0, GATE_NS // 2, 0, 0])
    since_ns = began[1] + GATE_NS // 3  # set within the second gate
    seems_to_begin_ns = samples[1].mono_ns - GATE_NS
    assert began[1] < since_ns < seems_to_begin_ns
    assert counted(samples, since_ns) == [False, False, True, True]
