"""A soak on a simulated bench over loopback, and short runs that rest on it.

One soak serves all tests; who changes the database copies it.
"""

import shutil
from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest
from lot_shop import PART, PROGRAM, SCALE, Shop, a_shop, document

from benchlog.catalogue import load_part
from benchlog.clock import HostClock
from benchlog.evaluation.learnt_soaks import LearntSoaks, short_run_of
from benchlog.evaluation.run_evaluation import evaluate
from benchlog.model import Kind
from benchlog.simulate import SimulatedBench, demo_scenario
from benchlog.simulate.ready_scenarios import DemoBench
from benchlog.store.reader import Reader
from benchlog.units import NS_PER_S, SECONDS_PER_DAY

GATE_S = 0.8  # 40 ms of host time: what a busy host adds is little beside it
PLAN = ("--full", "--lot-size", "2", "--ids", "-")
TEN = ("--min-readings", "10", "--max-readings", "10")


def command(shop: Shop, *words: str, ids: str = "") -> dict:
    return document(shop.run([*PROGRAM, *words, "--json"], ids))


def measure(shop: Shop, *more: str, device: str = "K-2") -> dict:
    given = ("--bench", "bench.toml", "--part", PART, "--device", device)
    return command(shop, "measure", *given, "--readings", "10", *more)


def statistics(figures: dict) -> dict:
    lines = figures["budget"]["lines"]
    return next(one for one in lines if one["name"] == "statistics")


def rest_of(shop: Shop, run_id: int) -> tuple[int | None, str]:
    """Return the soak and the words: a run judged anew from what is stored."""
    with closing(Reader.open(shop.db)) as reader:
        found = evaluate(reader, run_id).assessment
    assert found.budget is not None
    (line,) = (one for one in found.budget.lines if one.name == "statistics")
    return None if found.rest is None else found.rest.rests_on, line.text


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Shop]:
    """Run 1 is a soak, twice as long as it must be, and the newest rests on it.

    It must be 12 times a run, and on a busy computer ten readings take longer.

    One in twenty runs is told to drift beside it; then there is another.
    """
    with a_shop(tmp_path_factory.mktemp("soaked"), gate_s=GATE_S) as found:
        given = ("--bench", "bench.toml", "--part", PART, "--device", "K-1")
        figures = command(found, "soak", *given, "--for", "260s")
        assert figures["purpose"] == "soak" and figures["rests_on"] is None
        told = []
        while len(told) < 4 and not (told and told[-1]["rests_on"]):
            told.append(measure(found))
        said = [statistics(one)["text"] for one in told]
        assert told[-1]["rests_on"] == 1, said
        assert "by run 1, the soak of K-1 until " in said[-1]
        yield found


def newest(shop: Shop) -> int:
    with closing(Reader.open(shop.db)) as reader:
        return reader.latest_run().id


@pytest.fixture
def own(shop: Shop, tmp_path: Path) -> Shop:
    """The same bench with a database of its own."""
    shutil.copy(shop.db, tmp_path / "lots.db")
    shutil.copy(shop.folder / "bench.toml", tmp_path / "bench.toml")
    changed = shop.environment | {"BENCHLOG_DB": str(tmp_path / "lots.db")}
    return Shop(tmp_path, shop.bench, changed)


def test_show_tells_the_soak(own: Shop) -> None:
    shown = own.run([*PROGRAM, "show"]).stdout
    assert "by run 1, the soak of K-1 until " in " ".join(shown.split())


def test_a_run_that_was_asked_alone_rests_on_nothing(own: Shop) -> None:
    alone = measure(own, "--alone")
    assert alone["rests_on"] is None and "soak" not in statistics(alone)["text"]
    run = newest(own)
    assert rest_of(own, run)[0] is None, "asked for when it began"
    again = command(own, "judge", str(run), "--soak", "latest")
    assert "run 1, the soak of K-1" in statistics(again)["text"]


def test_a_run_is_judged_again_alone_and_by_the_soak(own: Shop) -> None:
    run = newest(own)
    assert command(own, "judge", str(run), "--alone")["rests_on"] is None
    assert rest_of(own, run)[0] is None
    assert command(own, "judge", str(run), "--soak", "1")["rests_on"] == 1
    assert rest_of(own, run)[0] == 1


INSPECT = ("inspect", "--bench", "bench.toml", "--part", PART, *PLAN, *TEN)


@pytest.mark.campaign  # every suite: one that is measured, and the lot below
def test_devices_of_a_lot_rest_on_the_soak(own: Shop) -> None:
    command(own, *INSPECT, "--lot", "L1", ids="K-3\n")
    assert "run 1, the soak of K-1" in rest_of(own, newest(own))[1]


def test_devices_of_a_lot_that_was_asked_alone_rest_on_nothing(own: Shop) -> None:
    command(own, *INSPECT, "--lot", "L2", "--alone", ids="K-4\n")
    alone = rest_of(own, newest(own))
    assert alone[0] is None and "soak" not in alone[1]


def test_a_void_soak_counts_no_more(own: Shop) -> None:
    run = newest(own)
    own.run([*PROGRAM, "void", "1", "--reason", "the lid was off"])
    assert measure(own)["rests_on"] is None
    soak, text = rest_of(own, run)
    assert soak is None and "run 1, the soak of K-1" in text
    assert "does not count any more (void (the lid was off))" in text


@pytest.mark.campaign  # every suite: verdict/test_learnt_stability.py
def test_another_gate_rests_on_nothing(own: Shop) -> None:
    other = measure(own, "--gate-s", "0.1")
    assert other["rests_on"] is None
    assert "had a gate of" in statistics(other)["text"]


@pytest.mark.campaign  # every suite: verdict/test_learnt_stability.py
def test_a_device_that_departs_is_told(own: Shop) -> None:
    """The same counter; an RC oscillator, far noisier than quartz, is the part."""
    part = replace(load_part(PART), kind=Kind.RC)
    bench = DemoBench(gate_s=GATE_S, positions=1)
    scenario = demo_scenario(part, offset_ppm=1.0, bench=bench)
    with SimulatedBench(scenario, HostClock(SCALE)) as noisy:
        (own.folder / "bench.toml").write_text(noisy.bench_toml())
        figures = measure(own, device="RC-1")
    assert figures["rests_on"] is None
    told = [one for one in figures["reasons"] if "departs from run 1" in one]
    assert len(told) == 1 and "by itself" in told[0], statistics(figures)["text"]


def test_a_soak_holds_for_its_own_kind_alone(shop: Shop) -> None:
    with closing(Reader.open(shop.db)) as reader:
        short = short_run_of(reader.latest_run())
        assert short is not None

        def rests(**changed: object) -> bool:
            found = LearntSoaks().newest(reader, replace(short, **changed))
            return found is not None

        assert rests()
        later_ns = short.at_utc_ns + 91 * SECONDS_PER_DAY * NS_PER_S
        assert not rests(at_utc_ns=later_ns), "it has expired"
        assert not rests(counter=replace(short.counter, serial="other"))
        assert not rests(counter=replace(short.counter, serial=""))
        assert not rests(bench="other-bench")
        assert not rests(part_id="other-part")
        assert not rests(divider=2.0)
        assert not rests(simulated=False), "simulated readings teach real runs nothing"
