"""Numbers of which no figure can be made: rows are kept, and a sentence tells of them.

1e160 squared is beyond a double (IEEE 754: 1.8e308 is the largest); the bounds are our
own rule (`store.snapshot_types`).
"""

import json
import math
import warnings

import numpy as np
import pytest
from click.testing import CliRunner
from rack_scene import write_rack
from store.making import begin, reading, rows
from tiers import seldom

from benchlog.cli import root
from benchlog.clock import VirtualClock
from benchlog.errors import NoFiguresError
from benchlog.evaluation.figured import figured_phases
from benchlog.model import Condition, Phases, Sample
from benchlog.recorder.run.acceptance import fault_of, why_beyond
from benchlog.store.reader import Reader
from benchlog.store.writer import Writer

ABSURD = [
    *(("frequency_hz", value) for value in (1e155, 1e160, 1e200, 1e308, 5e-324)),
    *(("gate_s", value) for value in (1e160, 1e308, 5e-324)),
    *(("ambient_c", value) for value in (1e160, 1e308, -1e308)),
]
OF_READINGS = (
    *("show {0}", "show {0} --json", "ageing {0}", "ageing 1 {0}", "temperature {0}"),
    *("compare 1 {0}", "hat 1 2 {0}", "response {0}", "fitness {0}", "judge {0}"),
    *("report {0} --out page.html", "report {0} --label --out label.svg"),
)
OF_GRIDS = ("stability {0}", "stability {0} --over-time")
LISTS = ("runs", "results", "devices", "lots", "check", "show 1")
MADE = "report --lot L1 --out lot.html"
FIRST = 3
"""The run of the first absurd number, behind two without any."""


def told(path, line):
    """Run a command; nothing unexpected, no warning of numpy."""
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        done = CliRunner().invoke(root, [*line.split(), "--db", str(path)])
    assert "something unexpected" not in done.stderr, (line, done.stderr)
    assert "no figures come" not in done.stderr, (line, done.stderr)
    return done


@pytest.fixture(scope="module")
def absurd(tmp_path_factory):
    """Make a run of each absurd number, behind two without any."""
    path = tmp_path_factory.mktemp("absurd") / "a.db"
    with Writer.open(path, VirtualClock()) as writer:
        for odd in (None, None, *ABSURD):
            run, segment = begin(writer, lot="L1")
            given = rows(run, segment, 30)
            if odd is not None:
                given[5] = (run, segment, reading(5, **dict([odd])))
            writer.commit(given)
            writer.end_run(run, "stopped")
    return path


SOME = (("frequency_hz", 1e155), ("gate_s", 5e-324), ("ambient_c", -1e308))
"""What is beyond a square, below any digit, and beyond with a sign."""


@pytest.mark.parametrize(
    ("field", "value"), [one if one in SOME else seldom(*one) for one in ABSURD]
)
def test_every_command_tells_of_an_absurd_number(
    tmp_path, monkeypatch, absurd, field, value
):
    """Unexpected errors, numpy's warnings, or figures that mean nothing before."""
    monkeypatch.chdir(tmp_path)
    run = ABSURD.index((field, value)) + FIRST
    for line in OF_READINGS + (OF_GRIDS if field == "frequency_hz" else ()):
        done = told(absurd, line.format(run))
        assert done.exit_code == 1
        assert f"{value!r}" in done.stderr and "Its rows are kept" in done.stderr
    for line in OF_GRIDS:
        told(absurd, line.format(run))
    assert told(absurd, f"export {run} --out it.csv").exit_code == 0
    other = tmp_path / "b.db"
    done = told(other, "import it.csv")
    assert done.exit_code == 0, done.stderr
    with Reader.open(absurd) as reader, Reader.open(other) as copy:
        before = getattr(reader.columns_after(run), field)
        copied = getattr(copy.columns_after(1), field)
    assert before[5] == value and np.array_equal(before, copied)


def test_every_list_tells_of_absurd_numbers(tmp_path, monkeypatch, absurd):
    monkeypatch.chdir(tmp_path)
    for line in LISTS:
        assert told(absurd, line).exit_code in (0, 3, 4), line
    said = told(absurd, "results").stderr
    assert said.count("is left out: reading") == 5
    assert f"... and {len(ABSURD) - 5} more" in said
    said = told(absurd, "devices").stderr  # `check` finds nothing wrong with such rows
    assert "benchlog void RUN" in said and "benchlog check" not in said
    told(absurd, "chips --lot L1")
    assert told(absurd, MADE).exit_code == 0


def test_a_block_of_absurd_readings_is_stored(tmp_path):
    """The sum of a block was beyond a double: an OverflowError, and no row came in."""
    path = tmp_path / "a.db"
    with Writer.open(path, VirtualClock()) as writer:
        run, segment = begin(writer)
        writer.commit(
            [(run, segment, reading(i, frequency_hz=1.7e308)) for i in range(1100)]
        )
        writer.end_run(run, "stopped")
        with Reader.open(path) as reader:
            assert reader.outline(run).mean_hz[0] == pytest.approx(1.7e308)


def test_an_absurd_supply_gives_no_response(tmp_path):
    path = tmp_path / "a.db"
    with Writer.open(path, VirtualClock()) as writer:
        run, segment = begin(writer)
        writer.commit(rows(run, segment, 60))
        for at in range(60):
            volts = 1e308 if at == 20 else 3.3
            one = reading(at)
            said = Condition(one.utc_ns, one.mono_ns, "supply", volts, "V", "supply")
            writer.commit([(run, segment, said)])
        writer.end_run(run, "stopped")
    for line in ("response 1", "temperature 1"):
        done = told(path, line)
        assert done.exit_code == 1 and "supply is 1e+308 V" in done.stderr
    assert told(path, "show 1").exit_code in (0, 3, 4)


OF_OTHERS = ("show 1", "show 3", "judge 1", "report 1 --out one.html")
OF_ALL = ("show 2", "judge 2", "report 1 --rack --out rack.html")


@pytest.mark.parametrize(
    ("of_others", "of_all"), [(OF_OTHERS[1:2], OF_ALL[1:2]), seldom(OF_OTHERS, OF_ALL)]
)
def test_the_other_devices_of_a_rack_keep_their_figures(
    tmp_path, monkeypatch, of_others, of_all
):
    """One reading, and no device of its rack was listed or shown any more."""
    monkeypatch.chdir(tmp_path)
    path = tmp_path / "q.db"
    runs = write_rack(path, "temperature-five-points", devices=3, open_=True)
    with Writer.open(path, VirtualClock()) as writer:
        with Reader.open(path) as reader:
            segment = reader.segments(runs[1])[-1].id
        writer.commit([(runs[1], segment, reading(0, frequency_hz=1e200))])
        for run in runs:
            writer.end_run(run, "sequence complete")
    listed = json.loads(told(path, "runs --json").stdout)
    assert {(row["run"], row["verdict"]) for row in listed} == {
        (1, "pass"),
        (3, "pass"),
    }
    assert "run 2 is left out: reading" in told(path, "results").stderr
    for line in of_others:
        assert told(path, line).exit_code == 0, line
    # of the rack as a whole nothing is told while one of its devices has no figures
    for line in of_all:
        done = told(path, line)
        assert done.exit_code == 1 and "run 2 has no figures" in done.stderr, line


def test_absurd_phase_gives_no_stability():
    phase_s = np.array([0.0, 1e-9, -1e200])
    given = Phases(np.arange(3) * 10**9, phase_s, np.zeros(3, np.int64))
    with pytest.raises(NoFiguresError, match=r"phase value 3 is -1e\+200 s"):
        figured_phases(7, given)


@pytest.mark.parametrize("value", [1e31, 1e160, 1e308, -1e308, 5e-324, 1e-13])
def test_a_counter_that_says_so_is_refused(value):
    """It was kept as suspect: one such answer, and the run had no figure any more."""
    assert fault_of(Sample(value, "Hz", 1, 1, 1.0), None)


@pytest.mark.parametrize("value", [1e-12, 1e30, 16e6])
def test_what_a_figure_can_be_made_of_is_taken(value):
    assert not fault_of(Sample(value, "Hz", 1, 1, 1.0), None)


@pytest.mark.parametrize("value", [1e31, -1e160, math.inf, math.nan])
def test_a_probe_that_says_so_is_refused(value):
    assert why_beyond(value)
