"""The answer in sentences, held against the table that it is made of."""

import re

import pytest

from benchlog.catalogue import find_uses, list_uses
from benchlog.evaluation.fitness_wording import (
    fitness_answers,
    margin_rule,
    oversampling_notes,
)
from benchlog.verdict.fitness.fitness import FitnessDecision, fitness
from benchlog.verdict.fitness.lot_fitness import DeviceFitness, lot_fitness
from benchlog.verdict.fitness.source import Source, Swing

ODD = {250e3, 500e3, 1e6, 76_800.0}


def source(ppm: float, hz: float = 16e6) -> Source:
    return Source(
        name="KX-1",
        nominal_hz=hz,
        offset_ppm=ppm,
        u_ppm=0.1,
        terms=(
            Swing(name="offset", low_ppm=ppm, high_ppm=ppm),
            Swing(name="uncertainty", low_ppm=-0.1, high_ppm=0.1),
        ),
        range_c=(-10.0, 70.0),
    )


def test_rates_are_named_as_a_data_sheet_judges_them() -> None:
    """At 16 MHz and 16 samples a bit a data sheet's table has errors of 0.2, 2.1, -3.5
    and 8.5 % at 38,400, 57,600, 115,200 and 230,400 Bd, and 2.0 % recommended.
    """
    said = fitness_answers(fitness(find_uses("serial-x16"), source(0.0)))
    assert said == (
        "Serial 8N1, 16 samples a bit, from this source: safe at 1,200 to 38,400, "
        "76,800 and 250,000 to 1,000,000 Bd; at the edge at 57,600; "
        "not at 115,200 and 230,400",
    )


def test_it_is_told_where_8_samples_were_taken_and_that_a_link_is_shared() -> None:
    """16 MHz: 16 samples a bit are +2.1 % at 57,600 Bd, 8 are -0.8 % (data sheet)."""
    found = fitness(find_uses("serial-8n1"), source(0.0))
    assert tuple(oversampling_notes(found)) == (
        "serial-8n1: 8 samples a bit at 57,600, 115,200 and 230,400 Bd",
    )
    assert "8N1, 16 or 8 samples a bit" in fitness_answers(found)[0]
    assert "Both ends of a link share" in margin_rule(found)
    alone = fitness(find_uses("serial-x16"), source(0.0))
    assert tuple(oversampling_notes(alone)) == ()
    assert "Both ends" not in margin_rule(fitness(find_uses("usb"), source(1.0)))


def test_rates_beyond_the_last_that_works_are_beyond() -> None:
    rates = [u for u in find_uses("serial-x16") if u.serial.baud not in ODD]
    (said,) = fitness_answers(fitness(rates, source(0.0, 1_843_200.0)))
    assert "115,200 Bd" in said  # divides into 1.8432 MHz without rest
    assert said.endswith("not beyond")


def test_every_use_is_in_one_sentence_and_none_is_made_better() -> None:
    uses, _ = list_uses()
    found = fitness(uses, source(12.0))
    said = fitness_answers(found)
    heads = [one.partition(":")[0] for one in said]
    assert [one.partition(",")[0] for one in heads] == [
        *3 * ["Serial 8N1"], "Wall clock", "Buses", "Radio", "Video",
    ]  # fmt: skip
    by_use = {one.use.id: one.verdict.value for one in found}
    assert by_use["bluetooth-le-active"] == "fits"
    assert "safe for Bluetooth LE and IEEE 802.15.4" in said[5]
    assert by_use["colour-ntsc"] == "unfit" and "not for colour" in said[6]


def test_a_clock_is_told_in_seconds_a_day() -> None:
    """100 ppm are 8.64 s a day; 0.1 ppm of U is added (arithmetic)."""
    (said,) = fitness_answers(fitness(find_uses("clock"), source(-100.0)))
    assert said == (
        "Wall clock: +-8.6 s a day at worst; safe where 10 s or more are allowed; "
        "not where 2 s or less are"
    )


@pytest.mark.parametrize("word", ["-10 to 70 C", "10 %", "At the edge", "ageing"])
def test_the_rule_and_the_range_are_stated(word: str) -> None:
    assert word in margin_rule(fitness(find_uses("usb"), source(1.0)))


def test_a_lot_is_as_good_as_its_worst_device() -> None:
    uses = find_uses("bluetooth-le-sleep-20ppm")
    offsets = {"KX-1": 3.0, "KX-2": -25.0, "KX-3": 19.5, "KX-4": 1.0}
    devices = [
        DeviceFitness(name, run, fitness(uses, source(ppm)))
        for run, (name, ppm) in enumerate(offsets.items(), start=1)
    ]
    (found,) = lot_fitness(devices)
    assert (found.fits, found.marginal, found.unfit) == (2, 1, 1)
    assert (found.device, found.run) == ("KX-2", 2)
    assert found.worst.verdict is FitnessDecision.UNFIT
    assert found.worst.worst_ppm == pytest.approx(25.1)
    assert re.search("not for Bluetooth LE", " ".join(fitness_answers([found.worst])))


def test_a_lot_without_devices_has_no_answer() -> None:
    assert lot_fitness([]) == ()
