"""Several positions side by side: two counters, in lines and on the screen."""

from collections import Counter
from functools import partial
from itertools import pairwise

import pytest
from lot_shop import Shop, document, hear
from lot_table import Table, set_up
from screen.looking import line_says, rings
from waiting import wait_for

from benchlog.screen.inspection.app import LotApp
from benchlog.screen.inspection.headline import Headline
from benchlog.screen.inspection.lot_screen import LotOnScreen, LotScreen
from benchlog.screen.widgets.text import PlainText
from benchlog.store.reader import Reader

FEW = ["--min-readings", "5"]


def test_ids_from_a_list_are_measured_at_both_positions_at_once(two: Shop) -> None:
    ids = [f"D-{number}" for number in range(1, 10)]
    words = [*two.opening(100, 6, 0, *FEW), "--ids", "-", "--json"]
    done = two.run(words, "\n".join(ids) + "\n")
    found = document(done)
    assert found["decision"] == "accepted" and found["passed"] == 6
    runs = [run for run in two.runs() if run.counts]
    # six and no more, each once, although two are always under way
    assert Counter(run.device for run in runs) == Counter(ids[:6])
    # whichever is free takes the next: about half each, however busy the machine is
    at = Counter(run.position for run in runs)
    assert set(at) == {"A", "B"} and min(at.values()) >= 2
    assert done.stderr.count("the sample of 6 is complete") == 3
    # what is at which position is known: the devices there differ by 7 ppm
    offsets = {run.position: run.offset_ppm for run in runs}
    assert offsets["A"] == pytest.approx(3.0, abs=0.5)
    assert offsets["B"] == pytest.approx(-4.0, abs=0.5)
    alone = document(two.run([*two.words("--result", "--json")]))
    assert alone == found
    # side by side: one begins at a position before the other's has ended
    with Reader.open(two.db) as reader:
        kept = [reader.run(run.run) for run in runs]
    spans = sorted((run.started_utc_ns, run.ended_utc_ns or 0) for run in kept)
    assert any(begun < ended for (_, ended), (begun, _) in pairwise(spans))


@pytest.mark.campaign  # every suite: behind a scanner, and at one position
def test_devices_come_and_go_at_both_positions_and_get_numbers_of_their_own(
    two: Shop,
) -> None:
    two.bench.remove("A")
    two.bench.remove("B")
    words = [*two.opening(20, 4, 0, *FEW), "--auto-ids", "K-", "--json"]
    with two.start(words) as process:
        for done in (2, 4):
            two.bench.insert("A", 2.0)
            two.bench.insert("B", 5.0)
            wait_for(lambda n=done: two.db.exists() and _done(two) == n)
            two.bench.remove("A")
            two.bench.remove("B")
            if done < 4:
                said = hear(process, "device at A is out", "device at B is out")
        _, rest = process.communicate(timeout=30)
        said += rest
    assert process.returncode == 0, said
    devices = Counter(run.device for run in two.runs() if run.counts)
    assert devices == Counter(["K-0001", "K-0002", "K-0003", "K-0004"])
    assert "a device is seen at B" in said and "B: K-" in said


def _done(shop: Shop) -> int:
    return sum(run.counts for run in Table.runs_of(shop))


@pytest.mark.campaign  # every suite: at inputs of one counter, below
def test_one_of_two_positions_is_named_alone(two: Shop) -> None:
    words = two.opening(10, 2, 0, *FEW, "--position", "B", "--ids", "-")
    assert two.run(words, "a\nb\n").returncode == 0
    assert {run.position for run in two.runs()} == {"B"}


def test_two_inputs_of_one_counter_are_measured_by_turns(inputs: Shop) -> None:
    ids = [f"D-{number}" for number in range(1, 5)]
    words = [*inputs.opening(100, 4, 0, *FEW), "--ids", "-", "--json"]
    done = inputs.run(words, "\n".join(ids) + "\n")
    assert document(done)["decision"] == "accepted"
    runs = [run for run in inputs.runs() if run.counts]
    assert Counter(run.device for run in runs) == Counter(ids)
    assert {run.position for run in runs} == {"A", "B"}
    # no reading of one input is told of the other: the devices differ by 7 ppm
    with Reader.open(inputs.db) as reader:
        for run in runs:
            nominal_hz = reader.run(run.run).nominal_hz
            ppm = (reader.columns_after(run.run).frequency_hz / nominal_hz - 1.0) * 1e6
            assert ppm == pytest.approx({"A": 3.0, "B": -4.0}[run.position], abs=0.5)


@pytest.mark.parametrize(
    "line", ["input = 1", pytest.param("", marks=pytest.mark.campaign)]
)
def test_the_same_input_twice_is_refused(inputs: Shop, line: str) -> None:
    text = (inputs.folder / "bench.toml").read_text().replace("input = 2", line)
    (inputs.folder / "bench.toml").write_text(text)
    words = inputs.opening(10, 2, 0, *FEW, "--ids", "-")
    done = inputs.run(words, "a\nb\n")
    assert done.returncode == 2 and "A and B share a counter" in done.stderr
    assert not inputs.runs()
    one_of_them = inputs.words("--ids", "-", "--position", "A")
    assert inputs.run(one_of_them, "a\nb\n").returncode == 0
    assert {run.position for run in inputs.runs()} == {"A"}


async def test_two_positions_on_the_screen(
    two: Shop, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Scan twice, put both in, look at each, undo the one that is looked at."""
    two.bench.remove("A")
    two.bench.remove("B")
    with set_up(two, monkeypatch, 300) as table:
        rung: list[int] = []
        monkeypatch.setattr(LotApp, "bell", lambda _: rung.append(1))
        control = table.launched.control
        bench = LotOnScreen(two.db, table.task.lot, control, bell=True)
        app = LotApp(bench)
        async with app.run_test(size=(80, 24)) as pilot:
            screen = app.screen
            assert isinstance(screen, LotScreen)

            until = partial(line_says, pilot)

            await until("#todo", "B  empty")
            await pilot.press(*"K1", "enter")
            await until("#todo", "put K1 in")
            await pilot.press(*"K2", "enter")
            await until("#todo", "put K2 in")
            twice = table.ask("device", "K1", "B")
            assert not twice.ok and "waited for" in twice.error
            nowhere = table.ask("device", "K3", "C")
            assert not nowhere.ok and "no position C" in nowhere.error
            two.bench.insert("B", 60.0)
            await until("#figures", "B: ✗ K2")
            assert "▸ B" in screen.query_one("#todo", PlainText).text
            assert await rings(pilot, rung, 2) == 2, "two rings: fail"
            two.bench.insert("A", 1.0)
            await until("#figures", "A: ✓ K1")
            shown = [line.text for line in screen.query_one(Headline).shown]
            assert shown[:2] == ["✓ PASS", "K1"]
            await until("#counts", "2/4")
            assert await rings(pilot, rung, 3) == 3, "one ring: pass"
            await pilot.press("tab")  # the keys mean B now
            await until("#figures", "B: ✗ K2")
            await pilot.press("f3")
            await until("#figures", "K2 does not count: taken back")
            await until("#counts", "1/4")
            bent = table.ask("damaged", "a leg is bent", "A")
            assert bent.data["device"] == "K1"
            await pilot.press("f8")
    assert [run.device for run in two.runs() if run.damaged] == ["K1"]
    kept = {run.device: run.counts for run in two.runs()}
    assert kept == {"K1": True, "K2": False}


@pytest.mark.campaign  # every suite: on the screen, above
def test_what_is_asked_goes_to_its_position(
    two: Shop, monkeypatch: pytest.MonkeyPatch
) -> None:
    two.bench.remove("A")
    two.bench.remove("B")
    with set_up(two, monkeypatch, 300) as table:
        assert table.ask("device", "a").data["position"] == "A"
        assert table.ask("device", "b").data["position"] == "B"
        twice = table.ask("device", "a", "B")
        assert not twice.ok and "waited for" in twice.error
        nowhere = table.ask("device", "c", "C")
        assert not nowhere.ok and "no position C" in nowhere.error
        two.bench.insert("A", 1.0)
        wait_for(lambda: table.done() == 1)
        two.bench.insert("B", 2.0)
        wait_for(lambda: table.done() == 2)
        assert table.ask("damaged", "a leg is bent", "A").data["device"] == "a"
        assert table.ask("again", "", "A").ok
        wait_for(lambda: table.done() == 3)
        by = [(run.device, run.position, run.damaged) for run in table.runs()]
    assert by == [("a", "A", True), ("b", "B", False), ("a", "A", False)]
