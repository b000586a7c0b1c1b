"""A run of pulses on a page, and its stability: everything comes from the edges."""

import pytest
from pages.page_making import fresh, said_by, words
from pulse_scene import PulseScene

from benchlog.analysis.stability.estimation import stability
from benchlog.clock import VirtualClock
from benchlog.evaluation.studies import series_of
from benchlog.pages.content import Chart
from benchlog.pages.page_builder import run_page
from benchlog.store.reader import Reader


@pytest.fixture(scope="module")
def reader(tmp_path_factory):
    folder = tmp_path_factory.mktemp("pulses")
    with fresh(folder) as writer:
        scene = PulseScene(writer, VirtualClock())
        scene.begin()
        scene.end()
    with Reader.open(folder / "pages.db") as reader:
        yield reader


def test_a_page_of_pulses(reader):
    page = run_page(reader, [reader.run(1)], VirtualClock())
    tree = said_by(page)
    said = words(tree)
    for text in (
        "PASS",
        "about a straight line, against pulses of 'gps'",
        "600",
        "the pulses of 'gps' are the time, stated u 1 × 10⁻⁷ s",
        "Course of the run",
        "Stability",
        "Simulated data",
    ):
        assert text in said, text
    blocks = (block for one in page.sections for block in one.blocks)
    figures = [block.caption for block in blocks if isinstance(block, Chart)]
    assert len(figures) >= 3, figures
    assert "The run has no reading" not in said
    headings = [words(one) for one in tree.iter("h2")]
    assert "Stability" in headings


def test_stability_of_pulses_is_white_phase(reader):
    found = stability(series_of(reader, reader.run(1)))
    rows = [row for row in found.rows if row.value is not None]
    # Allan deviation of white PM: sqrt(3) x / tau (NIST SP 1065, table of noise types);
    # two trains of 50 us rms: x = 50e-6 sqrt(2)
    assert rows[0].tau_s == pytest.approx(1.0, rel=1e-3)
    assert rows[0].value == pytest.approx(3**0.5 * 50e-6 * 2**0.5, rel=0.1)
    assert "PM" in rows[0].noise
