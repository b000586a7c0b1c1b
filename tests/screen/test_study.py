"""Looking closely at a run: graphs as text, the three views, errors in words."""

import asyncio
import threading
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pulse_scene import PulseScene
from screen.looking import settled, text_of, until
from screen.scenes import Scene, Stage
from seeds import seeded_generator
from store.making import begin, reading

from benchlog.analysis.series import series_from_columns
from benchlog.analysis.stability.estimation import stability
from benchlog.clock import VirtualClock
from benchlog.model import Event, EventKind
from benchlog.plotting.graph import Graph, Layer, draw_graph
from benchlog.screen import background_view as screen_study
from benchlog.screen.app import BenchApp
from benchlog.screen.background_view import StudyScreen
from benchlog.screen.screen_host import ScreenOptions
from benchlog.screen.study import study
from benchlog.screen.widgets.charts import GraphView
from benchlog.store.reader import Reader
from benchlog.store.writer import Writer

finite = st.floats(-1e12, 1e12)


def text(lines):
    return "\n".join("".join(piece for piece, _ in line) for line in lines)


# --- graphs --------------------------------------------------------------------------


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.tuples(finite, finite), max_size=20),
    st.integers(0, 150),
    st.integers(0, 50),
    st.booleans(),
)
def test_a_graph_fills_its_room_whatever_the_data(points, width, height, log):
    x, y = np.array(points).reshape(-1, 2).T
    layers = [
        Layer(x=x, y=y, role="bar", how="bars", top=y + 1),
        Layer(x=x, y=y, role="trace", how="marks"),
        Layer(x=np.sort(x), y=y, role="law", how="line"),
    ]
    lines = draw_graph(Graph("y against x", layers, log), width, height)
    assert len(lines) == height
    assert {len(text([line])) for line in lines} <= {width}


@pytest.mark.parametrize("bad", [np.nan, np.inf, -np.inf, 0.0, -1.0])
def test_what_a_logarithmic_axis_cannot_hold_is_left_out(bad):
    x = np.array([1.0, 10.0, 100.0])
    whole = [Layer(x=x, y=np.array([1e-9, 1e-10, 1e-11]), role="trace", how="marks")]
    more = [
        Layer(
            x=np.append(x, 50.0),
            y=np.array([1e-9, 1e-10, 1e-11, bad]),
            role="trace",
            how="marks",
        )
    ]
    assert draw_graph(Graph("", whole, True), 80, 20) == draw_graph(
        Graph("", more, True), 80, 20
    )


def test_points_stand_where_their_axes_say():
    """Decades apart in both, so as many rows as columns apart; labels on them."""
    tau = 10.0 ** np.arange(4)
    lines = text(
        draw_graph(
            Graph("", [Layer(x=tau, y=1e-8 / tau, role="trace", how="marks")], True),
            84,
            24,
        )
    ).split("\n")
    rows = [n for n, line in enumerate(lines[1:-2]) if line.split("│")[-1].strip("┤ ")]
    marked = [n for n, line in enumerate(lines) if "┤" in line]
    assert [lines[n].split("┤")[0].strip() for n in marked] == [
        "1e-8",
        "1e-9",
        "1e-10",
        "1e-11",
    ]
    assert len(rows) >= 4
    for n in marked:
        assert lines[n].split("┤")[1].strip(), "the point lies on its decade's row"
    assert lines[-1].split() == ["1", "10", "100", "1,000"]


def test_a_law_is_seen_through_a_cloud_without_colour():
    rng = seeded_generator(1)
    x = rng.uniform(0, 1, 20_000)
    layers = [
        Layer(x=x, y=rng.uniform(0, 1, len(x))),
        Layer(x=np.array([0.0, 1.0]), y=np.array([0.5, 0.5]), role="law", how="line"),
    ]
    lines = draw_graph(Graph("", layers), 60, 14)
    (law,) = [
        piece for line in lines for piece, role in line if role == "law" and len(piece)
    ]
    assert len(set(law)) <= 3, "the cells of the line hold the line alone"


# --- what the views say --------------------------------------------------------------


def swept(path: Path, count: int = 240, device: str = "KX-0412") -> int:
    """Write a run whose offset follows ambient by 0.2 ppm a degree, and scatters."""
    rng = seeded_generator(5)
    ambient = 25 + 6 * np.sin(np.arange(count) / count * 14)
    hertz = 8e6 * (1 + 1e-6 * (0.2 * (ambient - 25) + rng.normal(0, 0.02, count)))
    rows = zip(hertz.tolist(), ambient.tolist(), strict=True)
    with Writer.open(path, VirtualClock()) as writer:
        run, segment = begin(writer, device)
        writer.commit(
            [
                (run, segment, reading(n, frequency_hz=f, ambient_c=c))
                for n, (f, c) in enumerate(rows)
            ]
        )
    return run


def test_the_table_of_stability_is_that_of_the_analysis(tmp_path: Path):
    run = swept(tmp_path / "b.db")
    with Reader.open(tmp_path / "b.db") as reader:
        columns = reader.columns_after(run)
    wanted = stability(series_from_columns(columns, 16e6, 2.0), "mdev").rows
    found = study(tmp_path / "b.db", run, "stability", "mdev")
    assert len(found.table) == len(wanted) + 1
    for line, row in zip(found.table[1:], wanted, strict=True):
        cells = line.split()
        assert float(cells[0]) == row.tau_s
        assert float(cells[1]) == pytest.approx(row.value, rel=0.05)
        bounds = [float(cell) for cell in cells[2:5] if cell != "to"]
        assert bounds == pytest.approx([row.low, row.high], rel=0.05)
        assert cells[5] == f"{row.n:,}"


def test_stability_of_pulses_says_that_it_shows_the_stamps(tmp_path: Path):
    with Writer.open(tmp_path / "p.db", VirtualClock()) as writer:
        scene = PulseScene(writer, VirtualClock())
        run = scene.begin()
        scene.end()
    found = study(tmp_path / "p.db", run, "stability", "adev")
    assert "stamps scatter by" in found.said[0]
    assert "not the clock's" in found.said[0]
    # where too few averages are left, the noise is in brackets, and that is said
    assert found.table[-1].rstrip().endswith(")")
    assert any("in brackets" in said for said in found.said)


def test_the_temperature_view_has_law_residuals_and_the_promise(tmp_path: Path):
    found = study(tmp_path / "b.db", swept(tmp_path / "b.db"), "temperature", "adev")
    above, below = found.graphs
    law = next(layer for layer in above.layers if layer.how == "line")
    slope = np.polyfit(law.x, law.y, 1)[0]
    assert slope == pytest.approx(0.2, abs=0.01)
    assert float(np.std(below.layers[0].y)) == pytest.approx(0.02, rel=0.2)
    assert any("promised" in said or "spans only" in said for said in found.said)


def test_a_supply_that_moved_is_told_beside_the_law(tmp_path: Path):
    run = swept(tmp_path / "b.db")
    still = study(tmp_path / "b.db", run, "temperature", "adev")
    assert not any("supply" in said for said in still.said)
    with Writer.open(tmp_path / "b.db", VirtualClock()) as writer:
        marks = [Event(5, 5, EventKind.MARK, f"supply {v} V") for v in (3.3, 2.8)]
        writer.commit([(run, 0, mark) for mark in marks])
    found = study(tmp_path / "b.db", run, "temperature", "adev")
    assert "the supply moved, too: 2.80 to 3.30 V" in found.said[0]


@pytest.mark.parametrize(
    ("view", "readings", "said"),
    [
        ("stability", 0, "no readings"),
        ("stability", 1, "too few readings"),
        ("temperature", 3, "at least 8 are needed"),
        ("temperature", 48, "too little for a law"),
        ("ageing", 4, "at least 5"),
    ],
)
def test_too_little_data_is_said_in_words(stage: Stage, view, readings, said):
    run = stage.play(Scene(readings=readings), end=False)
    found = study(stage.database, run, view, "adev")
    assert said in found.said[0]
    assert not found.graphs


# --- on the screen -------------------------------------------------------------------


@pytest.fixture
def app(tmp_path: Path) -> Iterator[BenchApp]:
    run = swept(tmp_path / "b.db", device="KX\x1b[2J-7")
    return BenchApp(
        ScreenOptions(database=tmp_path / "b.db", run=run, onlooker=True),
        VirtualClock(),
    )


async def test_one_key_from_the_run_and_through_the_views(app: BenchApp):
    async with app.run_test(size=(100, 34)) as pilot:
        await until(pilot, "run 1, measure")
        await pilot.press("v")
        shown = await until(pilot, "adev against averaging time, s")
        assert "KX\\x1b[2J-7" in shown, "control characters are shown, never sent"
        assert "95 % intervals" in shown
        assert "falling" in shown, "the dotted slopes are explained"
        await pilot.press("d")
        assert "mdev" in await until(pilot, "mdev against averaging time, s")
        await pilot.press("t")
        shown = await until(pilot, "95 % interval ")
        for row in study(app.database, 1, "stability", "mdev").table:
            assert row in shown
        await pilot.press("t", "v")
        shown = await until(pilot, "residual, ppm, against ambient")
        assert "temperature: cubic about 25 C" in shown
        assert "deviation d" not in shown
        await pilot.press("v")
        await until(pilot, "residual, ppm, against time, days")
        await pilot.press("escape")
        await until(pilot, "run 1, measure")


# at one size: the test above; graphs of any size: `test_a_graph_fills_its_room`
@pytest.mark.campaign
async def test_every_view_has_its_graph_at_every_size(app: BenchApp):
    async with app.run_test(size=(60, 16)) as pilot:
        await until(pilot, "run 1, measure")
        for said in ("against averaging time", "against ambient", "against time"):
            await pilot.press("v")
            await until(pilot, said)
            for size in ((60, 16), (120, 40), (80, 24), (60, 16)):
                await pilot.resize_terminal(*size)
                shown = await settled(pilot)
                assert said in shown and "back Esc" in shown
                graph = app.screen.query_one("#above", GraphView).text
                assert "└" in graph
                assert size[0] - 4 <= max(map(len, graph.splitlines())) <= size[0]


async def test_the_screen_answers_while_a_view_is_worked_out(
    app: BenchApp, monkeypatch
):
    go, real = threading.Event(), study

    def slow(*asked):
        go.wait(20)
        return real(*asked)

    monkeypatch.setattr(screen_study, "study", slow)
    async with app.run_test(size=(80, 24)) as pilot:
        await until(pilot, "run 1, measure")
        await pilot.press("v")
        await until(pilot, "stability: computing")
        await pilot.press("v")
        await until(pilot, "temperature: computing")
        await pilot.press("question_mark")
        await until(pilot, "What the figures mean")
        await pilot.press("escape")
        go.set()
        shown = await until(pilot, "against ambient")
        assert isinstance(app.screen, StudyScreen)
        assert "averaging time" not in shown, "the view that was left is dropped"


async def test_a_database_that_is_gone_is_said(app: BenchApp, tmp_path: Path):
    async with app.run_test(size=(80, 24)) as pilot:
        await until(pilot, "run 1, measure")
        for file in tmp_path.glob("b.db*"):
            file.unlink()
        await pilot.press("v")
        await until(pilot, "there is no database")
        await asyncio.sleep(0)
        assert "back Esc" in text_of(app)
