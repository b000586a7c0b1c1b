"""Verdict, id and offset in large letters: how large, what gives way, how it looks."""

import math
import selectors
import threading
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import replace
from functools import partial
from itertools import product
from pathlib import Path

import pytest
from pages.page_making import fresh
from screen.looking import line_says, rings, same_as_kept, settled
from store.making import COUNTER, TIMEBASE, plan

from benchlog.catalogue import load_part
from benchlog.cli.tasks.lot_opening import Wish, task_for
from benchlog.control import Answer, file_of
from benchlog.evaluation.lots import lot_report
from benchlog.model import Event, EventKind, Lot, Purpose
from benchlog.recorder.boundary import Boundary
from benchlog.recorder.control_server import ControlServer
from benchlog.recorder.run.commit_queue import CommitQueue, OpenRuns
from benchlog.screen.inspection.app import LotApp
from benchlog.screen.inspection.block_letters import (
    LEAST_LINES,
    LetterSize,
    block_letters,
    largest,
    shortened,
    stacked,
)
from benchlog.screen.inspection.headline import Headline, headline
from benchlog.screen.inspection.letter_shapes import ROWS, SHAPES
from benchlog.screen.inspection.lot_screen import LotOnScreen
from benchlog.screen.inspection.places import Places, Spot
from benchlog.screen.inspection.text import last_run
from benchlog.store.reader import Reader
from benchlog.store.rows import VerdictRow

PART = "quartz-16mhz-30ppm"
SIZES = [(80, 24), (120, 40), (200, 50)]
LONG = "KX-" + "0123456789" * 11 + "-0412Z"
"""An id of 119 characters."""


def test_the_smallest_letters_can_be_read_from_two_metres() -> None:
    """ISO 9241-303 (from memory): characters of 16 minutes of arc at least.

    A reference pixel of CSS is 1/96 inch; a cell of 8 by 16 of them is a small font.
    """
    lines = ROWS * LetterSize(1, 1).down / 2
    height_mm = lines * 16 * 25.4 / 96
    assert math.degrees(math.atan(height_mm / 2000.0)) * 60 >= 16
    # a stroke of a minute of arc is what a letter at the limit of good eyesight has
    # (Snellen, from memory); the narrowest is half a cell wide
    stroke_mm = 8 / 2 * 25.4 / 96
    assert math.degrees(math.atan(stroke_mm / 2000.0)) * 60 >= 1.5


@pytest.mark.parametrize(("width", "height"), SIZES)
def test_letters_are_as_large_as_fits(width: int, height: int) -> None:
    size = largest("PASS", width, height)
    assert size is not None
    lines = block_letters("PASS", width, height)
    assert len(lines) == size.lines <= height
    assert max(map(len, lines)) <= width
    taller = LetterSize(size.across + 1, size.down + 1)
    dots = 4 * 5 + 3
    assert taller.lines > height or taller.across * dots > 2 * width


def test_shapes_are_whole_and_differ() -> None:
    assert set(map(chr, range(32, 127))) <= set(SHAPES)
    for letter, shape in SHAPES.items():
        rows = shape.split("|")
        assert len(rows) == ROWS and len({len(row) for row in rows}) == 1, letter
    same = {"-", "\u2212"}
    apart = [shape for letter, shape in SHAPES.items() if letter not in same]
    assert len(apart) == len(set(apart)), "two characters look alike"


def test_a_long_id_loses_its_middle_and_keeps_both_ends() -> None:
    short = shortened(LONG, 78)
    head, tail = short.split("…")
    assert LONG.startswith(head) and LONG.endswith(tail)
    assert abs(len(head) - len(tail)) <= 1 and len(head) >= 10
    assert shortened("KX-0412", 78) == "KX-0412"


FAR = [pytest.param(width, marks=pytest.mark.campaign) for width in (78, 118, 198)]


@pytest.mark.parametrize("width", [58, *FAR])
def test_the_first_line_is_never_hidden_and_never_smaller_than_it_could_be(
    width: int,
) -> None:
    ids = ["7", "KX-0412", LONG, "漢" * 120, "Ä" * 40, "\x1b[31m"]
    verdicts = ["✓ PASS", "? UNDECIDED", "✗ LOT REJECTED"]
    for height, device, verdict in product(
        (LEAST_LINES, 9, 12, 16, 30, 40), ids, verdicts
    ):
        blocks = stacked([verdict, device, "-199,999.743 ppm"], width, height)
        assert blocks[0], (width, height, device)
        assert sum(map(len, blocks)) <= height
        assert all(len(line) <= width for block in blocks for line in block)
        if height >= 3 * LEAST_LINES:
            assert all(blocks)


def test_too_low_for_letters_there_is_none() -> None:
    assert block_letters("PASS", 78, LEAST_LINES - 1) == []
    assert stacked(["PASS"], 78, 2) == [[]]
    assert stacked([], 78, 20) == []


# --- a lot in a database, and who answers for its keeper over a real socket


class Counted:
    """A lot of four with one accepted defective; verdicts come as a test wants."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        wish = Wish(
            lot="B2207",
            bench="counter-tcp",
            part=PART,
            lot_size=40,
            sample=4,
            accept=1,
        )
        self.task = task_for(wish, self.db)

    @property
    def db(self) -> Path:
        return self.folder / "pages.db"

    @property
    def lot(self) -> Lot:
        return self.task.lot

    def add(self, device: str, word: str, ppm: float, *events: EventKind) -> None:
        self.judge(self.end(device, *events), word, ppm)

    def end(self, device: str, *events: EventKind, tolerance_ppm: float = 30.0) -> int:
        """Have a run of a device that has ended; its verdict is not there yet."""
        part = load_part(PART)
        limits = replace(part.limits, tolerance_ppm=tolerance_ppm)
        part = replace(part, limits=limits)
        with closing(fresh(self.folder)) as writer:
            one = plan(device, part=part, purpose=Purpose.INSPECT, lot=self.lot.lot)
            run = writer.begin_run(one, {"counter": COUNTER}, TIMEBASE)
            for kind in events:
                text = "it runs near 12.8 MHz, the part at 16 MHz: is this the part?"
                writer.commit([(run, 0, Event(0, 0, kind, text))])
            writer.end_run(run, "verdict clear")
        return run

    def judge(self, run: int, word: str, ppm: float) -> None:
        figures = VerdictRow(word=word, offset_ppm=ppm, u_ppm=0.058, limit_ppm=30.0)
        with closing(fresh(self.folder)) as writer:
            writer.add_verdict(run, figures)

    @contextmanager
    def keeper(self) -> Iterator[Path]:
        """Answer `status` as a keeper does that waits for the next device."""
        place = {"position": "A", "run": None, "device": "", "seen": True, "left": True}
        lot = {"said": "", "idle": False, "paused": False, "places": [place]}
        path, over = self.folder / "lot.sock", threading.Event()
        with (
            closing(fresh(self.folder)) as writer,
            selectors.DefaultSelector() as selector,
        ):
            server = ControlServer(
                path,
                file_of(writer.path),
                selector,
                lambda _: Answer(True, data={"lot": lot}),
                Boundary(OpenRuns(CommitQueue(writer), lambda *_: None), print),
            )

            def serve() -> None:
                while not over.is_set():
                    for key, _ in selector.select(0.05):
                        server.serve(key.data[1])

            thread = threading.Thread(target=serve)
            thread.start()
            try:
                yield path
            finally:
                over.set()
                thread.join()
                server.close()


@pytest.fixture
def counted(tmp_path: Path) -> Counted:
    return Counted(tmp_path)


def add_for(counted: Counted, scene: str) -> None:
    counted.add("KX-0411", "pass", -4.113)
    match scene:
        case "pass":
            counted.add("KX-0412", "pass", 2.984)
        case "undecided-long":
            counted.add(LONG, "undecided", -29.981)
        case "held":
            aside = (EventKind.WRONG_PART, EventKind.SET_ASIDE, EventKind.HELD)
            counted.add("KX-0412", "fail", -199_999.743, *aside)
        case "taken-back":
            counted.add("KX-0412", "pass", 2.984, EventKind.SET_ASIDE)
        case "accepted":
            for number in range(2, 5):
                counted.add(f"KX-041{number}", "pass", float(number))
        case "rejected":
            for number in range(2, 4):
                counted.add(f"KX-041{number}", "fail", 31.0 + number)


MORE = [
    pytest.param(scene, marks=pytest.mark.campaign)
    for scene in ("undecided-long", "taken-back", "accepted", "rejected")
]


@pytest.mark.parametrize("scene", ["pass", "held", *MORE])
async def test_looks(counted: Counted, scene: str) -> None:
    add_for(counted, scene)
    with counted.keeper() as path:
        app = LotApp(LotOnScreen(counted.db, counted.lot, path))
        async with app.run_test(size=SIZES[0]) as pilot:
            for width, height in SIZES:
                await pilot.resize_terminal(width, height)
                shown = await settled(pilot)
                same_as_kept(f"lot-{scene}-{width}x{height}", shown)
                head = app.screen.query_one(Headline)
                assert head.shown, "nothing is in large letters"
                rows = head.text.splitlines()
                assert len(rows) >= 3 * LEAST_LINES
                assert any("▀" in row or "█" in row for row in rows[:4])


async def test_without_colours_word_and_symbol_tell(
    counted: Counted, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("NO_COLOR", "1")
    add_for(counted, "pass")
    with counted.keeper() as path:
        app = LotApp(LotOnScreen(counted.db, counted.lot, path))
        async with app.run_test(size=(80, 24)) as pilot:
            same_as_kept("lot-pass-80x24", await settled(pilot))


async def test_a_verdict_that_comes_after_the_end_rings_as_it_comes(
    counted: Counted, monkeypatch: pytest.MonkeyPatch
) -> None:
    """They are two rows: a screen that looked between the two never rang."""
    rung: list[int] = []
    monkeypatch.setattr(LotApp, "bell", lambda _: rung.append(1))
    counted.add("KX-0411", "pass", -4.113)
    with counted.keeper() as path:
        app = LotApp(LotOnScreen(counted.db, counted.lot, path, bell=True))
        async with app.run_test(size=(80, 24)) as pilot:
            await settled(pilot)
            run = counted.end("KX-0412")
            until = partial(line_says, pilot)
            await until("#devices", "KX-0412")
            await settled(pilot)
            assert rung == []
            counted.judge(run, "fail", 61.254)
            await until("#devices", "fail")
            assert await rings(pilot, rung, 2) == 2


# --- what is in large letters when


def said(counted: Counted, busy: int | None = None) -> list[str]:
    with closing(Reader.open(counted.db)) as reader:
        part = reader.part(counted.lot.part_id)
        runs = tuple(reader.lot_runs(counted.lot))
    lot = counted.task.lot
    report = lot_report(lot, part, runs)
    places = Places(spots=(Spot(name="A", run=busy),), focus="A")
    return [line.text for line in headline(report, places, last_run(report))]


def test_verdict_id_offset_in_this_order(counted: Counted) -> None:
    assert said(counted) == []
    counted.add("KX-0412", "fail", 61.254)
    assert said(counted) == ["✗ FAIL", "KX-0412", "+61.254 ppm"]


def test_while_a_device_is_measured_no_old_verdict_is_shown(counted: Counted) -> None:
    counted.add("KX-0412", "pass", 2.984)
    assert said(counted, busy=1) == ["MEASURING", "KX-0412"]


def test_the_decision_of_the_lot_comes_first_when_it_has_fallen(
    counted: Counted,
) -> None:
    add_for(counted, "rejected")
    assert said(counted) == ["✗ LOT REJECTED", "✗ FAIL +34.000 ppm", "KX-0413"]


def test_a_damaged_device_is_named_so(counted: Counted) -> None:
    counted.add("KX-0412", "pass", 2.0, EventKind.DAMAGED)
    assert said(counted) == ["✗ FAIL", "KX-0412", "damaged"]


def test_what_is_asked_comes_before_all_else(counted: Counted) -> None:
    add_for(counted, "held")
    assert said(counted) == ["? OTHER PART", "KX-0412", "12.8 MHz"]


def test_a_pass_against_more_than_others_of_the_lot_is_none(counted: Counted) -> None:
    """Its part file was changed meanwhile; the screen said PASS, the lot did not."""
    counted.add("KX-0411", "pass", -4.113)
    wide = counted.end("KX-0412", tolerance_ppm=50.0)
    counted.judge(wide, "pass", 41.0)
    assert said(counted) == ["? UNDECIDED", "KX-0412", "+41.000 ppm"]


def test_what_does_not_count_is_told(counted: Counted) -> None:
    add_for(counted, "taken-back")
    assert said(counted) == ["- DOES NOT COUNT", "KX-0412"]
