"""Values refused for causes that change: told at once, then counted; none is lost."""

import re
from itertools import pairwise

from benchlog.model import Sample
from benchlog.recorder.run.acceptance import Rejected
from benchlog.recorder.run.recurring import OVER_S
from benchlog.recorder.run.refused_values import AT_ONCE, RejectedSamples
from benchlog.units import NS_PER_S

COUNT = re.compile(r"^([\d,]+) values? more (was|were) refused: ")
TICK_NS = NS_PER_S // 10


class Clock:
    def __init__(self):
        self.ns = 0

    def now_ns(self):
        return self.ns


def sample(k):
    return Sample(-float(k), "Hz", k, k, raw=b"%d" % -k)


def causes(k):
    few = (
        Rejected("not finite"),
        Rejected(f"not above zero: {-k} Hz"),
        Rejected("too soon", alike="came faster than their gate allows"),
    )
    return few[k % 3]


def refusing(seconds, *, good=False):
    """Refuse ten values a second; return when what was told, in s, and what is left."""
    clock = Clock()
    refusals, told = RejectedSamples(clock.now_ns), []
    for k in range(seconds * 10):
        clock.ns = k * TICK_NS
        told += [(clock.ns, one) for one in refusals.of(sample(k), causes(k))]
        told += [(clock.ns, one) for one in (refusals.over() if good else ())]
    return told, refusals, clock


def number(text):
    if found := COUNT.match(text):
        return int(found[1].replace(",", ""))
    return 1


def test_an_hour_of_alternating_causes_is_told_in_a_few_events():
    # good values may come between, too
    for good, long_s in ((False, 3_600), (True, 600)):
        told, refusals, _ = refusing(long_s, good=good)
        assert len(told) < AT_ONCE + 13  # 36,000 before
        texts = [text for _, (text, _) in told]
        assert all(text.startswith("value refused, ") for text in texts[:AT_ONCE])
        counted = [at_ns for at_ns, (text, _) in told if COUNT.match(text)]
        gaps = [(b - a) / NS_PER_S for a, b in pairwise(counted)]
        assert gaps[:4] == [2.0, 4.0, 8.0, 16.0]
        left = [text for text, _ in refusals.over(ended=True)]
        assert sum(map(number, texts + left)) == 10 * long_s, "each is told or counted"


def test_a_count_names_its_causes_and_carries_raw_bytes():
    told, _, _ = refusing(10)
    text, raw = next(one for _, one in told if COUNT.match(one[0]))
    assert "not finite" in text
    assert "came faster than their gate allows" in text or "too soon" in text
    assert raw.split(b"\n")[0] == b"-%d" % AT_ONCE
    assert len(raw) <= 4_096


def test_what_stays_away_for_five_minutes_is_over_and_told_anew():
    told, refusals, clock = refusing(10)
    clock.ns += round(OVER_S * NS_PER_S)
    ((text, _),) = refusals.over()
    assert text.endswith("; over")
    assert sum(number(text) for _, (text, _) in told) + number(text) == 100
    assert refusals.over() == []
    assert refusals.of(sample(7), Rejected("late")) == [("value refused, late", b"-7")]
