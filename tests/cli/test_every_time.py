"""`stability --spacing every` of a long run: a short table, all in chart and JSON."""

from types import SimpleNamespace

import numpy as np
from seeds import seeded_generator

from benchlog.analysis.series import Series
from benchlog.analysis.stability.deviations import DeviationRequest
from benchlog.analysis.stability.estimation import stability
from benchlog.cli.commands.stability import document, text
from benchlog.cli.printing import plain
from benchlog.plotting.result_pictures import plot_stability

RUN = SimpleNamespace(id=1, device="KX-1", simulated=False)
N = 3_000


def found():
    values = 1e-9 * seeded_generator(21).standard_normal(N)
    return stability(Series(values, 1.0), "adev", DeviationRequest(spacing="every"))


def test_the_table_is_short_and_tells_so():
    one = found()
    printed = text(RUN, one, 0, {"leave_out_outliers": False})
    table = printed.split("\n\n")[1].splitlines()
    assert [line.split()[0] for line in table[1:4]] == ["1", "2", "5"]
    assert len(table) == 1 + 11
    assert "1,500 averaging times: the table has 11 of them" in printed
    told = plain(document(RUN, one, 0))["rows"]
    assert [row["m"] for row in told] == list(range(1, N // 2 + 1))
    assert told[6]["value"] == one.rows[6].value


def test_few_averaging_times_are_all_there():
    values = 1e-9 * seeded_generator(22).standard_normal(60)
    one = stability(Series(values, 1.0), "adev", DeviationRequest(spacing="every"))
    printed = text(RUN, one, 0, {"leave_out_outliers": False})
    assert len(printed.split("\n\n")[1].splitlines()) == 1 + 30
    assert "the table has" not in printed


def test_a_picture_of_every_one_is_a_line_with_a_band(tmp_path):
    path = tmp_path / "every.svg"
    plot_stability([found()], path, "every")
    drawn = path.read_text()
    assert "FillBetweenPolyCollection" in drawn
    assert "LineCollection_1" not in drawn, "no bars that run into each other"
    assert "at 1,500 averaging times" in drawn
    assert path.stat().st_size < 200_000
    assert np.isfinite([row.value for row in found().rows]).all()
