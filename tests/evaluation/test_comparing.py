"""Runs of a database compared: at the same time, apart, and what cannot be."""

from dataclasses import replace

import pytest
from pages.page_making import HOSTILE, fresh, said_by, series, words, write_run

from benchlog.clock import VirtualClock
from benchlog.errors import UsageError
from benchlog.evaluation.comparison import comparison
from benchlog.pages.content import Chart
from benchlog.pages.page_builder import compare_page
from benchlog.pages.pdf import pdf_of
from benchlog.store.reader import Reader
from benchlog.units import printable


@pytest.fixture(scope="module")
def database(tmp_path_factory):
    folder = tmp_path_factory.mktemp("compare")
    with fresh(folder) as writer:
        write_run(writer, series(120, seed=1, swing_c=3.0), device="KX-1")
        write_run(
            writer, series(120, seed=2, swing_c=3.0, offset_ppm=8.5), device=HOSTILE
        )
        later = [
            replace(one, utc_ns=one.utc_ns + 10**15)
            for one in series(60, seed=3, offset_ppm=-9.0)
        ]
        write_run(writer, later, device="KX-3")
        undated = [replace(one, utc_ns=None) for one in series(60, seed=4)]
        write_run(writer, undated, device="KX-4")
        write_run(writer, (), device="empty")
    return folder / "pages.db"


def compared(database, *numbers):
    with Reader.open(database) as reader:
        return comparison(reader, [reader.run(one) for one in numbers])


def test_what_was_measured_together_is_compared_pair_by_pair(database):
    found = compared(database, 1, 2, 3, 4)
    assert [one.paired for one in found.differences] == [True, False, False]
    first = found.differences[0]
    assert first.delta_ppm == pytest.approx(0.5, abs=0.01)
    assert first.budget.expanded_ppm < 0.05
    assert first.budget.expanded_ppm < found.runs[0].side.assessment.u_ppm


def test_a_page_says_it_all(database):
    page = compare_page(compared(database, 1, 2, 3), VirtualClock())
    tree = said_by(page)
    said = words(tree.find("body"))
    for text in (
        "run 2 runs faster",
        "run 3 runs slower",
        "which is closer to nominal cannot be told",
        "measured at the same time: compared pair by pair",
        "of one counter: cancels",
        "Pitman",
        printable(HOSTILE),
    ):
        assert text in said, text
    blocks = [block for one in page.sections for block in one.blocks]
    assert len([block for block in blocks if isinstance(block, Chart)]) == 2
    assert not list(tree.iter("script"))
    assert pdf_of(page).startswith(b"%PDF-")


def test_with_an_empty_run_nothing_can_be_told(database):
    (found,) = compared(database, 1, 5).differences
    assert found.delta_ppm is None and found.budget is None
    page = compare_page(compared(database, 1, 5), VirtualClock())
    assert "no difference in offset can be told" in words(said_by(page))


def test_one_run_is_no_comparison(database):
    with pytest.raises(UsageError, match="two different runs"):
        compared(database, 1, 1)
