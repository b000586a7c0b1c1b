"""A soak on a simulated bench over loopback, and short runs that rest on it."""

from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest
from cli.conftest import Line, document

from benchlog.evaluation.learnt_soaks import LearntSoaks, short_run_of
from benchlog.store.reader import Reader
from benchlog.units import NS_PER_S, SECONDS_PER_DAY

PART = "quartz-16mhz-30ppm"
FAST = ("--positions", "1", "--gate-s", "0.5", "--seed", "11")


def words(bench: str, device: str, *more: str) -> tuple[str, ...]:
    return ("--bench", bench, "--part", PART, "--device", device, *more, "--json")


def measure(line: Line, bench: str, *more: str, device: str = "K-2") -> dict:
    length = ("--readings", "10")
    return document(line.run("measure", *words(bench, device, *length, *more)))


def statistics(figures: dict) -> dict:
    lines = figures["budget"]["lines"]
    return next(one for one in lines if one["name"] == "statistics")


@pytest.fixture
def soaked(line: Line):
    """A bench whose part was soaked in run 1 for more than 12 times 10 readings."""
    with line.bench(*FAST) as bench:
        figures = document(line.run("soak", *words(bench, "K-1", "--for", "140s")))
        assert figures["purpose"] == "soak" and figures["rests_on"] is None
        yield bench


def test_a_short_run_rests_on_the_soak_until_it_is_void_or_asked_alone(
    line: Line, soaked: str
) -> None:
    """One bench for all of it: the soak takes seven seconds."""
    resting = measure(line, soaked)
    assert resting["rests_on"] == 1, statistics(resting)["text"]
    said = "by run 1, the soak of K-1 until "
    assert said in statistics(resting)["text"]
    assert said in " ".join(line.run("show", "2").stdout.split())
    assert document(line.run("show", "2", "--json"))["rests_on"] == 1
    line.run("report", "2", "--out", "page.html")
    page = next(line.folder.glob("*.html")).read_text()
    assert "the soak of K-1" in page

    alone = measure(line, soaked, "--alone")
    assert alone["rests_on"] is None
    assert "soak" not in statistics(alone)["text"]
    again = document(line.run("judge", "3", "--json"))
    assert again["rests_on"] is None, "asked for when it began"
    assert document(line.run("judge", "3", "--soak", "latest", "--json"))["rests_on"]

    judged = document(line.run("judge", "2", "--alone", "--json"))
    assert judged["rests_on"] is None
    assert document(line.run("show", "2", "--json"))["rests_on"] is None
    assert document(line.run("judge", "2", "--soak", "1", "--json"))["rests_on"] == 1

    line.run("void", "1", "--reason", "the lid was off")
    assert measure(line, soaked)["rests_on"] is None
    text = statistics(document(line.run("show", "2", "--json")))["text"]
    assert "run 1, the soak of K-1" in text
    assert "does not count any more (void (the lid was off))" in text
    refused = line.run("judge", "2", "--soak", "latest")
    assert refused.returncode == 2 and "no soak 'latest'" in refused.stderr


def test_other_benches_rest_on_nothing_and_another_device_is_told(
    line: Line,
) -> None:
    """The second bench has the same counter; an RC oscillator is there as the part.

    It is orders of magnitude noisier than a quartz.
    """
    with line.bench(*FAST) as bench:
        line.run("soak", *words(bench, "K-1", "--for", "140s"))
        other = measure(line, bench, "--gate-s", "0.1")
    assert other["rests_on"] is None
    assert "had a gate of" in statistics(other)["text"]
    _holds_for_its_own_kind_alone(line)
    Path(bench).unlink()
    rc = ("--nominal", "16MHz", "--tolerance", "30ppm", "--kind", "rc")
    with line.bench(*FAST, *rc, "--offset-ppm", "1") as bench:
        figures = measure(line, bench, device="RC-1")
    assert figures["rests_on"] is None
    told = [one for one in figures["reasons"] if "departs from run 1" in one]
    assert len(told) == 1 and "by itself" in told[0], statistics(figures)["text"]


def _holds_for_its_own_kind_alone(line: Line) -> None:
    with closing(Reader.open(line.db)) as reader:
        short = short_run_of(reader.run(2))
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
