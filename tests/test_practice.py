"""Facts of the trade: common practice, no source."""

import pytest
from columns_maker import columns

from benchlog.model import (
    Decision,
    Kind,
    Limits,
    Part,
    Timebase,
)
from benchlog.units import hz_of_ppm, offset_ppm, seconds_per_day
from benchlog.verdict.run.reading_judge import RunJudge

EXACT = Timebase(status="checked", offset_ppm=0.0, u_ppm=0.0)


def part(nominal_hz, tolerance_ppm):
    return Part(
        id="p",
        title="p",
        kind=Kind.OTHER,
        nominal_hz=nominal_hz,
        limits=Limits(tolerance_ppm=tolerance_ppm),
    )


def word_of(frequency_hz, nominal_hz, tolerance_ppm):
    judge = RunJudge(part(nominal_hz, tolerance_ppm), timebase=EXACT)
    judge.feed(columns([frequency_hz] * 20))
    return judge.assessment()


def test_ppm_of_a_megahertz():
    assert hz_of_ppm(1, 1e6) == pytest.approx(1.0)
    assert hz_of_ppm(30, 16e6) == pytest.approx(480.0)
    assert hz_of_ppm(50, 16e6) == pytest.approx(800.0)


def test_a_ppm_is_0_0864_s_a_day():
    assert seconds_per_day(1) == pytest.approx(0.0864)
    assert seconds_per_day(20) == pytest.approx(1.728)


def test_148_hz_low_at_16_mhz_is_inside_30_ppm():
    found = word_of(16e6 - 148, 16e6, 30)
    assert found.offset_ppm == pytest.approx(-9.25)
    assert found.word is Decision.PASS


def test_an_rc_152_36_khz_low_at_8_mhz_is_inside_10_percent():
    found = word_of(8e6 - 152_360, 8e6, 100_000)
    assert found.offset_ppm == pytest.approx(-19_045)
    assert found.word is Decision.PASS
    lost_s = -seconds_per_day(found.offset_ppm)
    assert divmod(round(lost_s), 60) == (27, 25)  # 27 min 25 s


def test_20_khz_over_10_c_at_8_mhz_is_250_ppm_per_c():
    assert offset_ppm(8_020_000, 8e6) / 10 == pytest.approx(250)


def test_twice_the_nominal_means_divider_or_trigger_level():
    judge = RunJudge(part(16e6, 30), timebase=EXACT)
    judge.feed(columns([32e6] * 20, flags=16))
    found = judge.assessment()
    assert found.word is Decision.UNDECIDED
    assert "trigger 2 times in a cycle (trigger level)" in found.reasons[0]
    assert any("check divider / trigger level" in reason for reason in found.reasons)
