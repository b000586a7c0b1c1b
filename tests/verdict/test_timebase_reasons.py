"""What a person is told of a time base that nobody has checked."""

import math

from benchlog.model import Timebase
from benchlog.verdict.run.limit import Limit
from benchlog.verdict.timebase.known_timebase import timebase_reasons

WIDE = Limit(ppm=100.0, text="tolerance", inside=None, promised=True)


def test_an_assumed_time_base_without_words_is_told_by_its_figures():
    base = Timebase(status="assumed", offset_ppm=0.0, u_ppm=1 / math.sqrt(3))
    assert next(iter(timebase_reasons(base, WIDE))) == "time base assumed +-1 ppm"


def test_the_words_that_a_time_base_has_are_kept():
    base = Timebase(
        status="assumed", offset_ppm=0.0, u_ppm=0.6, text="assumed: never checked"
    )
    told = next(iter(timebase_reasons(base, WIDE)))
    assert told == "time base assumed: never checked"
