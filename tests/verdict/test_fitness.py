"""What a source is good for, against worked values and rules of the trade."""

import math
from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from seeds import seeded_generator
from verdict.campaign import columns

from benchlog.analysis.laws import kind_law, ppm_at
from benchlog.catalogue import find_uses, load_part, load_parts, load_uses
from benchlog.errors import DataError
from benchlog.evaluation.study_documents import fitness_document
from benchlog.model import (
    Kind,
    Part,
    TemperatureLaw,
    Timebase,
    Use,
)
from benchlog.units import hz_of_ppm, seconds_per_day
from benchlog.verdict.fitness.fitness import (
    Fitness,
    FitnessDecision,
    candidates,
    fitness,
    fitness_for,
)
from benchlog.verdict.fitness.source import (
    Conditions,
    Source,
    Swing,
    measured_source,
    promised_source,
)
from benchlog.verdict.run.assessment import Assessment
from benchlog.verdict.run.reading_judge import RunJudge

RC = load_part("rc-8mhz-delivered")
QUARTZ = load_part("quartz-16mhz-30ppm")
FORK = load_part("tuning-fork-32khz-20ppm")


@cache
def use(name: str) -> Use:
    (found,) = find_uses(name)
    return found


SOME = [use(name) for name in ("usb-low-speed", "serial-x16-57600", "can-1mbit")]


def source(offset_ppm: float, u_ppm: float | None = 0.0, hz: float = 8e6) -> Source:
    terms = [Swing(name="offset", low_ppm=offset_ppm, high_ppm=offset_ppm)]
    if u_ppm:
        terms.append(Swing(name="uncertainty", low_ppm=-u_ppm, high_ppm=u_ppm))
    return Source(
        name="KX-0001",
        nominal_hz=hz,
        offset_ppm=offset_ppm,
        u_ppm=u_ppm,
        terms=tuple(terms),
        range_c=(0.0, 50.0),
    )


def assessed(part: Part, ppm: object, ambient_c: float = 25.0) -> Assessment:
    judge = RunJudge(
        part, timebase=Timebase(status="stated", offset_ppm=0.0, u_ppm=0.01)
    )
    found = columns(np.asarray(ppm, dtype=np.float64), 0)
    hz = part.nominal_hz * (1.0 + np.asarray(ppm) * 1e-6)
    ambient = np.full(len(found), ambient_c)
    fields = {name: getattr(found, name) for name in found.__slots__}
    judge.feed(type(found)(**{**fields, "frequency_hz": hz, "ambient_c": ambient}))
    return judge.assessment()


# --- rules of the trade -------------------------------------------------------------


def test_what_an_offset_means_for_a_clock() -> None:
    """Common practice, no source: 10 % off loses 2.4 h a day, 30 ppm is 2.6 s a day."""
    assert seconds_per_day(-100_000) / 3600 == pytest.approx(-2.4)
    assert seconds_per_day(30) == pytest.approx(2.6, abs=0.01)
    # recomputed: 1 ppm 0.0864 s/day, 2.592 s in 30 days, 31.5576 s in 365.25; 20 ppm
    assert seconds_per_day(1) == pytest.approx(0.0864)
    assert 365.25 * seconds_per_day(1) == pytest.approx(31.5576)
    assert seconds_per_day(20) == pytest.approx(1.728)
    assert (
        fitness_for(use("clock-10min-per-day"), source(-100_000)).verdict
        is FitnessDecision.UNFIT
    )


@pytest.mark.parametrize(
    ("offset_ppm", "verdict"),
    [
        (0, FitnessDecision.FITS),
        (15_000, FitnessDecision.FITS),
        (-20_000, FitnessDecision.FITS),
        (22_000, FitnessDecision.MARGINAL),
        (-27_000, FitnessDecision.MARGINAL),  # the divisor's +0.16 % helps
        (-30_000, FitnessDecision.UNFIT),
        (25_000, FitnessDecision.UNFIT),
    ],
)
def test_serial_receivers_want_about_two_percent(
    offset_ppm: float, verdict: FitnessDecision
) -> None:
    """A data sheet recommends 2.0 % for each end at 16-fold oversampling.

    Both ends together may differ by 4.575 % (its formula, D = 8, S = 16): an end that
    keeps to what is recommended leaves 2.575 % to this one.
    """
    found = fitness_for(use("serial-x16-9600"), source(offset_ppm))
    assert found.link_ppm == pytest.approx(45_751.63, abs=0.01)
    assert found.other_end_ppm == 20_000
    assert found.tolerance_ppm == pytest.approx(25_751.63, abs=0.01)
    assert found.verdict is verdict


@pytest.mark.parametrize(
    ("name", "link_ppm", "other_ppm"),
    [
        # a data sheet: +4.575 % and 2.0 % for each at x16, +3.896 % and 1.5 % at x8
        ("serial-x16-9600", 45_751.63, 20_000),
        ("serial-x8-9600", 38_961.04, 15_000),
        # CAN: 0.390625 % for each node; LIN 2.x: 2 % between any two nodes
        ("can-1mbit", 7_812.5, 3_906.25),
        ("lin-nodes-after-sync", 20_000, 10_000),
    ],
)
def test_both_ends_of_a_link_share_what_it_tolerates(
    name: str, link_ppm: float, other_ppm: float
) -> None:
    found = fitness_for(use(name), source(0.0))
    assert found.link_ppm == pytest.approx(link_ppm, abs=0.01)
    assert found.other_end_ppm == pytest.approx(other_ppm)
    assert found.tolerance_ppm == pytest.approx(link_ppm - other_ppm, abs=0.01)
    assert "two ends share" in found.text
    ideal = fitness_for(use(name), source(0.0), 0.0)
    assert ideal.tolerance_ppm == pytest.approx(link_ppm, abs=0.01)


def test_a_fingers_warmth_moves_an_rc_by_kilohertz_and_a_quartz_by_hertz() -> None:
    """Common practice, no source: kilohertz (the sign differs) against a few hertz."""
    rc = kind_law(Kind.RC)
    moved = hz_of_ppm(ppm_at(rc, 30.0) - ppm_at(rc, 25.0), 8e6)
    assert 1e3 < abs(moved) < 50e3
    quartz = kind_law(Kind.QUARTZ)
    moved = hz_of_ppm(ppm_at(quartz, 30.0) - ppm_at(quartz, 25.0), 16e6)
    assert -20 < moved < -1


# --- links --------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "hz", "divisor", "error_percent", "verdict"),
    [
        # errors: tables of an 8-bit microcontroller's data sheet
        ("serial-x16-9600", 8e6, 52, 0.1603, FitnessDecision.FITS),
        ("serial-x16-57600", 8e6, 9, -3.5494, FitnessDecision.MARGINAL),
        ("serial-x16-115200", 8e6, 4, 8.5069, FitnessDecision.UNFIT),
        ("serial-x8-57600", 8e6, 17, 2.1242, FitnessDecision.MARGINAL),
        ("serial-x8-115200", 16e6, 17, 2.1242, FitnessDecision.MARGINAL),
        ("serial-x16-115200", 16e6, 9, -3.5494, FitnessDecision.MARGINAL),
        ("serial-x16-1000000", 8e6, 1, -50.0, FitnessDecision.UNFIT),
    ],
)
def test_a_perfect_source_still_has_its_divisor(
    name: str, hz: float, divisor: int, error_percent: float, verdict: FitnessDecision
) -> None:
    found = fitness_for(use(name), source(0.0, hz=hz), 0.0)
    assert found.divided is not None and found.divided.divisor == divisor
    assert found.divided.error_ppm / 1e4 == pytest.approx(error_percent, abs=5e-5)
    assert found.worst_ppm == pytest.approx(abs(error_percent) * 1e4, abs=0.5)
    assert (found.verdict, found.dominant) == (verdict, "divisor")


def test_divisor_from_nominal_and_from_what_was_measured() -> None:
    """8 MHz that runs 8.5 % slow makes 115200 of the divisor that was 8.5 % fast.

    A divisor chosen for 7.32 MHz is the same 4; for +6 % it would be 5 -> -7.9 %.
    """
    slow = 1 / 1.085069 - 1
    found = fitness_for(use("serial-x16-115200"), source(slow * 1e6))
    assert found.worst_ppm == pytest.approx(0.0, abs=1.0)
    assert found.verdict is FitnessDecision.FITS
    fast = fitness_for(use("serial-x16-115200"), source(60_000))
    assert fast.divided is not None and fast.retuned is not None
    assert (fast.divided.divisor, fast.retuned.divisor) == (4, 5)
    assert fast.divided.worst_ppm == pytest.approx((1.085069 * 1.06 - 1) * 1e6, abs=1)
    expected = abs(8.48e6 / 5 / (16 * 115_200) - 1) * 1e6
    assert fast.retuned.worst_ppm == pytest.approx(expected, abs=0.01)


def test_the_other_end_takes_its_share() -> None:
    ideal = fitness_for(use("serial-x16-9600"), source(22_000), other_end=0.0)
    shared = fitness_for(use("serial-x16-9600"), source(22_000), other_end=-20_000)
    assert shared.tolerance_ppm == pytest.approx(ideal.tolerance_ppm - 20_000)
    assert (ideal.other_end_ppm, shared.other_end_ppm) == (0.0, 20_000)
    assert ideal.worst_ppm == shared.worst_ppm
    nothing_left = fitness_for(use("serial-x16-9600"), source(1.0), 60_000)
    assert (nothing_left.tolerance_ppm, nothing_left.verdict) == (
        0.0,
        FitnessDecision.UNFIT,
    )
    assert nothing_left.margin == -math.inf
    alone = fitness_for(use("usb-full-speed"), source(100), other_end=20_000)
    assert (alone.tolerance_ppm, alone.other_end_ppm) == (2500, None)


def test_two_ends_that_are_wrong_alike_agree() -> None:
    """16 MHz at 115200, x16: both ends -3.5494 % by the divisor (data sheet's table).

    Against an ideal end that is only marginal; against its like it is nothing at all.
    """
    link, quartz = use("serial-x16-115200"), promised_source(QUARTZ)
    alone = fitness_for(link, source(0.0, hz=16e6), 0.0)
    assert alone.worst_ppm == pytest.approx(35_494, abs=1)
    alike = fitness_for(link, source(0.0, hz=16e6), quartz)
    assert alike.worst_ppm < 200 and alike.verdict is FitnessDecision.FITS
    assert alike.tolerance_ppm == alone.tolerance_ppm
    # the other end from an RC oscillator as delivered, 10 %: it takes more than all
    wild = fitness_for(link, source(0.0, hz=16e6), promised_source(RC))
    assert (wild.verdict, wild.dominant) == (FitnessDecision.UNFIT, "other end")
    assert wild.other_end_ppm is not None and wild.other_end_ppm > 100_000
    # what is no link has no other end
    usb = use("usb-full-speed")
    assert fitness_for(usb, source(5.0), quartz) == fitness_for(usb, source(5.0))


@settings(deadline=None)  # a busy machine is no fault of the rule
@given(st.floats(-60_000, 60_000), st.floats(-60_000, 60_000))
def test_a_link_is_judged_alike_from_both_ends(here: float, there: float) -> None:
    found = [
        fitness_for(use("can-1mbit"), source(a), source(b)).worst_ppm
        for a, b in ((here, there), (there, here))
    ]
    assert found[0] == pytest.approx(found[1], abs=1e-6)
    assert found[0] == pytest.approx(abs(here - there), abs=1e-6)


def test_can_nodes_share_by_their_formula() -> None:
    """0.390625 % for each node; beside an ideal one, twice that."""
    alike = fitness_for(use("can-1mbit"), source(0.0, hz=16e6))
    assert alike.tolerance_ppm == pytest.approx(3906.25)
    ideal = fitness_for(use("can-1mbit"), source(0.0, hz=16e6), other_end=0)
    assert ideal.tolerance_ppm == pytest.approx(7812.5)
    assert alike.divided is None
    assert (
        fitness_for(use("can-1mbit"), source(30, hz=16e6)).verdict
        is FitnessDecision.FITS
    )
    assert (
        fitness_for(use("can-1mbit"), source(5000, hz=16e6)).verdict
        is FitnessDecision.UNFIT
    )
    assert (
        fitness_for(use("can-1mbit"), source(5000), 1000).verdict
        is FitnessDecision.FITS
    )


def test_lin_is_between_any_two_nodes() -> None:
    found = fitness_for(use("lin-nodes-after-sync"), source(9000), 5000)
    assert (found.tolerance_ppm, found.verdict) == (15_000, FitnessDecision.FITS)


def test_synchronisation_removes_the_offset_and_leaves_its_count() -> None:
    """LIN 2.x: +-14 % before, +-2 % between nodes after synchronisation.

    Eight bits counted in sixteenths are 128 counts (from memory): one is 0.78125 %.
    """
    lin = use("lin-nodes-after-sync")
    slave = source(-100_000, u_ppm=500)
    moving = Swing(name="restlessness", low_ppm=-40, high_ppm=40, of_the_moment=True)
    slave = replace(slave, terms=(*slave.terms, moving))
    found = fitness_for(lin, slave)
    assert found.worst_ppm == pytest.approx(7_812.5 + 40)
    assert found.removed == ("offset", "uncertainty")
    assert (found.verdict, found.dominant) == (FitnessDecision.FITS, "synchronisation")
    assert fitness_for(use("lin-slave-unsynchronised"), slave).verdict is (
        FitnessDecision.UNFIT
    )
    # two slaves of one kind follow one master: what is off in both goes in both
    two = fitness_for(lin, slave, source(90_000))
    assert two.worst_ppm == pytest.approx(2 * 7_812.5 + 40)
    assert two.tolerance_ppm == 20_000


@pytest.mark.parametrize("ppm", [-145_000.0, 150_000.0])
def test_what_is_too_far_off_never_synchronises(ppm: float) -> None:
    found = fitness_for(use("lin-nodes-after-sync"), source(ppm))
    assert found.verdict is FitnessDecision.UNFIT and found.margin < 0
    assert (found.tolerance_ppm, found.worst_ppm) == (140_000, abs(ppm))
    assert found.text.startswith("before synchronisation ")


@pytest.mark.parametrize(
    ("hz", "baud", "samples", "divisor", "error_percent"),
    [
        # a data sheet's tables of 8 and 16 MHz, U2X = 0 and 1
        (8e6, 38_400, 16, 13, 0.1603),
        (8e6, 57_600, 8, 17, 2.1242),
        (16e6, 57_600, 8, 35, -0.7937),
        (16e6, 115_200, 8, 17, 2.1242),
        (16e6, 250_000, 16, 4, 0.0),
    ],
)
def test_both_oversamplings_are_tried(
    hz: float, baud: int, samples: int, divisor: int, error_percent: float
) -> None:
    found = fitness_for(use(f"serial-8n1-{baud}"), source(0.0, hz=hz))
    made = found.divided
    assert made is not None
    assert (made.oversampling, made.divisor) == (samples, divisor)
    assert made.error_ppm / 1e4 == pytest.approx(error_percent, abs=5e-5)
    only = fitness_for(use(f"serial-x{samples}-{baud}"), source(0.0, hz=hz))
    assert (found.tolerance_ppm, found.verdict) == (only.tolerance_ppm, only.verdict)


def test_another_oversampling_may_suit_what_was_measured() -> None:
    """8 MHz that runs 3 % fast, at 57,600 Bd: 8.24 MHz / (8 x 18) is -0.66 %."""
    found = fitness_for(use("serial-8n1-57600"), source(30_000))
    chosen, better = found.divided, found.retuned
    assert chosen is not None and better is not None
    assert (chosen.oversampling, chosen.verdict) == (8, FitnessDecision.UNFIT)
    assert (better.oversampling, better.divisor) == (8, 18)
    slow = fitness_for(use("serial-8n1-115200"), source(35_000)).retuned
    assert slow is not None and (slow.oversampling, slow.divisor) == (8, 9)


@pytest.mark.parametrize(
    ("percent", "word"), [(1.7, "fits"), (1.9, "marginal"), (2.1, "unfit")]
)
def test_dmx512_is_245_to_255_kbit_a_second(percent: float, word: str) -> None:
    """ANSI E1.11 (from memory): 245 to 255 kbit/s, +-2 % of 250."""
    assert 245e3 == 250e3 * 0.98 and 255e3 == 250e3 * 1.02
    found = fitness_for(use("dmx512"), source(percent * 1e4, hz=16e6))
    assert found.tolerance_ppm == 20_000 and found.verdict.value == word
    assert found.link_ppm is None


# --- margins ------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("offset", "u", "verdict", "said"),
    [
        (30, 5, FitnessDecision.FITS, "35 ppm at worst of 50 allowed"),
        (43, 5, FitnessDecision.MARGINAL, "less than a tenth"),
        (48, 5, FitnessDecision.MARGINAL, "measurement's uncertainty of the limit"),
        (54, 5, FitnessDecision.MARGINAL, "measurement's uncertainty of the limit"),
        (56, 5, FitnessDecision.UNFIT, "61 ppm at worst"),
        (-56, 5, FitnessDecision.UNFIT, "61 ppm at worst"),
        (10, None, FitnessDecision.MARGINAL, "uncertainty is not known"),
    ],
)
def test_fits_marginal_unfit(
    offset: float, u: float | None, verdict: FitnessDecision, said: str
) -> None:
    found = fitness_for(use("ethernet-100base-tx"), source(offset, u))
    assert found.verdict is verdict
    assert said in found.text
    assert found.margin == pytest.approx(1 - found.worst_ppm / 50)


@given(
    offset=st.floats(-2e5, 2e5),
    u=st.floats(0, 1e4),
    other=st.none() | st.floats(0, 1e5),
)
def test_verdict_and_margin_agree(offset: float, u: float, other: float | None) -> None:
    for one in SOME:
        found = fitness_for(one, source(offset, u), other)
        if found.verdict is FitnessDecision.FITS:
            assert found.margin >= 0.1 - 1e-9
        if found.verdict is FitnessDecision.UNFIT:
            assert found.margin < 0
        if found.divided is None:
            assert found.worst_ppm == pytest.approx(abs(offset) + u)


@given(offset=st.floats(-1e5, 1e5), u=st.floats(0, 1e3), more=st.floats(0, 1e4))
def test_more_uncertainty_never_makes_a_source_better(
    offset: float, u: float, more: float
) -> None:
    ranks = list(FitnessDecision)
    known, unsure = (fitness_for(SOME[0], source(offset, x)) for x in (u, u + more))
    assert unsure.worst_ppm >= known.worst_ppm
    if known.verdict is not FitnessDecision.UNFIT:
        assert ranks.index(unsure.verdict) >= ranks.index(known.verdict)


# --- sources ------------------------------------------------------------------------


def test_a_measured_crystal() -> None:
    ppm = 10.0 + seeded_generator(1).normal(0, 0.05, 40)
    found = measured_source("KX-0412", QUARTZ, assessed(QUARTZ, ppm))
    terms = {term.name: term for term in found.terms}
    assert terms["offset"].low_ppm == pytest.approx(10.0, abs=0.05)
    assert terms["temperature"].high_ppm == 50
    assert terms["ageing"].high_ppm == 0
    assert terms["restlessness"].high_ppm == pytest.approx(0.1, rel=0.4)
    high_speed = fitness_for(use("usb-high-speed"), found)
    assert (high_speed.verdict, high_speed.dominant) == (
        FitnessDecision.FITS,
        "temperature",
    )
    total = sum(term.high_ppm for term in high_speed.terms)
    assert high_speed.worst_ppm == pytest.approx(total)
    assert (
        fitness_for(use("ieee802154-2450mhz"), found).verdict is FitnessDecision.UNFIT
    )


def test_a_clock_does_not_mind_the_restlessness_of_the_moment() -> None:
    ppm = seeded_generator(2).normal(0, 50.0, 60)
    found = measured_source("KX-0412", RC, assessed(RC, ppm))
    clock, serial = (
        {term.name for term in fitness_for(use(name), found).terms}
        for name in ("clock-10min-per-day", "serial-x16-9600")
    )
    assert "restlessness" not in clock and "restlessness" in serial


def test_away_from_the_reference_a_promise_counts_twice() -> None:
    at_35 = measured_source("K", QUARTZ, assessed(QUARTZ, np.zeros(20), 35.0))
    term = next(term for term in at_35.terms if term.name == "temperature")
    assert (term.low_ppm, term.high_ppm) == (-100, 100)
    assert "not measured at the reference" in term.text


def test_a_measured_law_keeps_its_sign() -> None:
    """-0.035 ppm/C^2 around 25 C: -42.875 ppm at -10 C and 60 C, never above."""
    law = TemperatureLaw(law="parabola", reference_c=25.0, quadratic_ppm_per_c2=-0.035)
    where = Conditions(range_c=(-10, 60), law=law)
    found = measured_source("K", FORK, assessed(FORK, np.zeros(20)), where)
    term = next(term for term in found.terms if term.name == "temperature")
    assert term.low_ppm == pytest.approx(-0.035 * 35**2)
    assert term.high_ppm == 0


def test_a_measured_law_counts_from_where_the_device_was_measured() -> None:
    law = TemperatureLaw(law="line", reference_c=25.0, linear_ppm_per_c=250)
    where = Conditions(range_c=(20, 40), law=law)
    found = measured_source("K", RC, assessed(RC, np.zeros(20), 30.0), where)
    term = next(term for term in found.terms if term.name == "temperature")
    assert (term.low_ppm, term.high_ppm) == pytest.approx((-2500, 2500))


def test_where_nothing_is_promised_the_usual_law_is_taken_either_way() -> None:
    """250 ppm/C over 0 to 50 C: 6250 ppm from 25 C, and the sign is not known."""
    found = promised_source(RC)
    term = next(term for term in found.terms if term.name == "temperature")
    assert (term.low_ppm, term.high_ppm) == pytest.approx((-6250, 6250))
    assert any("sign of an RC" in note for note in found.notes)


def test_a_narrower_range_takes_its_share_of_the_promise() -> None:
    """A parabola around 25 C: 25^2 of 65^2 (the cold end of -40 to 85 C)."""
    found = promised_source(FORK, Conditions(range_c=(0, 50)))
    term = next(term for term in found.terms if term.name == "temperature")
    assert term.high_ppm == pytest.approx(220 * 25**2 / 65**2)
    assert any("scaled" in note for note in found.notes)


def test_beyond_the_promised_range_the_usual_law_may_be_worse() -> None:
    found = promised_source(FORK, Conditions(range_c=(-55, 125)))
    term = next(term for term in found.terms if term.name == "temperature")
    assert term.high_ppm == pytest.approx(0.035 * 100**2)
    assert any("promises nothing over all" in note for note in found.notes)


def test_ageing_to_a_horizon() -> None:
    ten = promised_source(QUARTZ, Conditions(horizon_years=10))
    term = next(term for term in ten.terms if term.name == "ageing")
    assert (term.low_ppm, term.high_ppm) == (-50, 50)
    where = Conditions(horizon_years=10, ageing_ppm=(0.5, 3.5))
    own = promised_source(QUARTZ, where)
    term = next(term for term in own.terms if term.name == "ageing")
    assert (term.low_ppm, term.high_ppm) == (0.0, 3.5)
    none = promised_source(RC, Conditions(horizon_years=10))
    assert any("states no ageing" in note for note in none.notes)


def test_few_readings_are_said_and_none_is_an_error() -> None:
    one = measured_source("K", QUARTZ, assessed(QUARTZ, [3.0]))
    assert one.u_ppm is None
    assert any("uncertainty not known" in note for note in one.notes)
    assert fitness_for(use("usb-low-speed"), one).verdict is FitnessDecision.MARGINAL
    empty = RunJudge(QUARTZ).assessment()
    with pytest.raises(DataError, match="K has no reading"):
        measured_source("K", QUARTZ, empty)


# --- the other way ------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "will_do", "will_not"),
    [
        # common practice, no source: full speed wants a crystal, low speed a resonator
        ("usb-full-speed", {"quartz", "tcxo", "mems", "ocxo"}, {"rc", "ceramic"}),
        ("usb-low-speed", {"quartz", "ceramic"}, {"rc"}),
        ("ethernet-100base-tx", {"tcxo", "ocxo"}, {"rc", "ceramic", "tuning-fork"}),
        ("bluetooth-le-sleep", {"tuning-fork"}, {"rc", "ceramic"}),
        ("colour-pal", {"ocxo"}, {"rc", "ceramic", "quartz", "tuning-fork"}),
        ("can-rule-of-thumb", {"ceramic", "quartz"}, set()),
    ],
)
def test_which_kinds_would_do(name: str, will_do: set[str], will_not: set[str]) -> None:
    found = candidates(use(name), load_parts())
    fits = {
        part.kind.value for part, one in found if one.verdict is FitnessDecision.FITS
    }
    assert will_do <= fits
    assert not will_not & fits
    ranks = [list(FitnessDecision).index(one.verdict) for _, one in found]
    assert ranks == sorted(ranks)
    assert len(found) == len(load_parts())


def test_all_uses_give_plain_values() -> None:
    found = fitness(load_uses(), promised_source(QUARTZ))
    documents = [fitness_document(one, QUARTZ) for one in found]
    keys = {"use", "tolerance_ppm", "worst_ppm", "margin", "verdict"}
    for one, document in zip(found, documents, strict=True):
        assert isinstance(one, Fitness)
        assert keys <= document.keys()
        assert document["verdict"] in {"fits", "marginal", "unfit"}
        assert document["worst_ppm"] >= 0
        assert document["terms"] and document["dominant"]
