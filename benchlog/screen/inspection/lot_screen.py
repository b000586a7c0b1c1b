"""A lot on the screen: what to do next, the verdict in large letters, how it stands."""

import asyncio
from collections.abc import Iterable
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import ClassVar, Final, cast

from textual.binding import BindingType
from textual.screen import Screen
from textual.widget import Widget
from textual.widgets import Input

from benchlog import control
from benchlog.control import Answer, Request
from benchlog.errors import BenchlogError
from benchlog.evaluation.coded_runs import scanned_device
from benchlog.evaluation.lots import lot_report
from benchlog.model import Lot, LotRun, Purpose
from benchlog.model.trims import SET, trim_notes
from benchlog.screen.base import BenchScreen, run_beside
from benchlog.screen.inspection import text as words
from benchlog.screen.inspection.headline import Headline, headline
from benchlog.screen.inspection.id_line import (
    ID_CELLS,
    LineQuestion,
    Scanned,
    make_ready,
)
from benchlog.screen.inspection.keys import LOT_KEYS, LotHelp
from benchlog.screen.inspection.meant_run import meant, noted
from benchlog.screen.inspection.places import Places
from benchlog.screen.widgets.text import Newest, PlainText
from benchlog.store.reader import Reader
from benchlog.units import printable
from benchlog.verdict.lot.lot_report import LotReport
from benchlog.verdict.lot.lot_runs import begun_here

_TICK_S: Final = 0.2
_RING_S: Final = 0.18
_ONLY_SAID: Final = ("asked", "said")
"""Lines that take no room while there is nothing in them."""


@dataclass(frozen=True, slots=True)
class LotOnScreen:
    """What the screen looks at and speaks to."""

    database: Path
    lot: Lot
    control: Path
    bell: bool = False

    @property
    def trims(self) -> bool:
        """Whether its devices are trimmed: a lot that is inspected has a plan."""
        return self.lot.plan is None

    @property
    def purpose(self) -> Purpose:
        """What its runs are for."""
        return Purpose.TRIM if self.trims else Purpose.INSPECT


class LotScreen(BenchScreen):
    """Insert, scan, look, take the next."""

    BINDINGS: ClassVar[list[BindingType]] = LOT_KEYS

    def __init__(self, bench: LotOnScreen) -> None:
        super().__init__()
        self.bench, self.bell_on = bench, bench.bell
        self._reader = Reader.open(bench.database)
        self._file = control.file_of(bench.database)
        self._part = self._reader.part(bench.lot.part_id)
        self.report: LotReport | None = None
        self.places = Places()
        self._answer = self._leaving = ""
        self._asked = LineQuestion()
        self._one_by_one = asyncio.Lock()
        self._told: frozenset[int] | None = None
        self._codes: dict[int, int | None] = {}

    def content(self) -> Iterable[Widget]:
        """Return the parts of the screen from top to bottom."""
        yield PlainText(id="lot")
        yield PlainText(id="counts")
        yield PlainText(id="todo", classes="asked")
        yield PlainText(id="asked")
        yield Scanned(id="id", max_length=ID_CELLS, placeholder="device id, then Enter")
        yield Headline(id="headline")
        yield PlainText(id="figures")
        yield PlainText(id="said")
        yield Newest(id="devices")

    def on_mount(self) -> None:
        """Look five times a second."""
        self.query_one(Input).focus()
        self._show()
        self.set_interval(_TICK_S, self._tick)

    def on_unmount(self) -> None:
        """Let go of the database."""
        self._reader.close()

    # --- keeping up ------------------------------------------------------------------

    def _tick(self) -> None:
        run_beside(self, self._hear, group="hear", exclusive=True)

    async def _hear(self) -> None:
        answer = await self._ask(Request("status"))
        if not self.has_widgets:
            return
        before, self.places = self.places, Places.of(answer, self.places)
        was, now = before.spot.waiting, self.places.spot.waiting
        if before.several is not self.places.several or bool(was) is not bool(now):
            self.refresh_bindings()
        if self.places.says_more_than(before) and not self._asked.noting:
            self._answer = ""  # what the keeper says is newer than its last answer
        self._show()

    def _show(self) -> None:
        lot = self.bench.lot
        runs = tuple(self._reader.lot_runs(lot, self.bench.purpose))
        report, held = self.report, self._held
        if report is None or report.runs != runs:
            report = lot_report(lot, self._part, runs)
            begun = begun_here(runs, self._reader.came_by_merge(runs))
            codes = self._codes_of(runs)
            report = self.report = replace(report, codes=codes, begun=begun)
        if self._held != held:
            self.refresh_bindings()
        self._look_for_verdicts(report)
        places = self.places
        spots = [spot.run for spot in places.spots if spot.run is not None]
        readings = {run: self._reader.count(run) for run in spots}
        self._plain("asked", self._asked.said or words.held_question(report))
        busy = places.spot.run is not None
        last = words.last_run(report, places.focus)
        self._plain("lot", words.lot_line(report))
        self._plain("counts", words.counts_line(report))
        self._plain("todo", words.todo(report, places, readings))
        self.query_one(Headline).show(headline(report, places, last))
        figures = words.figures_line(last, report, busy=busy, several=places.several)
        self._plain("figures", figures)
        self._plain("said", printable(self._answer or places.said))
        self._plain("devices", words.devices(report))

    def _codes_of(self, runs: tuple[LotRun, ...]) -> dict[int, int]:
        """Return the code of each run that has found one; each is read once."""
        for run in runs if self.bench.trims else ():
            if run.ended_how is not None and run.run not in self._codes:
                events = (event for _, event in self._reader.events(run.run))
                found = [n.code for n in trim_notes(events) if n.what == SET]
                self._codes[run.run] = found[-1] if found else None
        return {run: code for run, code in self._codes.items() if code is not None}

    def _plain(self, name: str, text: str) -> None:
        line = self.query_one(f"#{name}", PlainText)
        line.show(text)
        if name in _ONLY_SAID:
            line.display = bool(text)
            self.set_class(bool(text), f"-{name}")

    def _look_for_verdicts(self, report: LotReport) -> None:
        """Turn to the position whose verdict is new, and ring; not for old ones."""
        told = {run.run: run for run in report.runs if words.is_told(run)}
        new = [] if self._told is None else sorted(told.keys() - self._told)
        self._told = frozenset(told)
        for run in (told[number] for number in new):
            if self.places.heard:
                self.places = self.places.looking_at(run.position)
            rings = words.rings(run, report.word_of(run)) if self.bell_on else 0
            for number in range(rings):
                self.set_timer(_RING_S * number + 0.01, self.app.bell)

    # --- what a person does --------------------------------------------------------

    def on_input_submitted(self, event: Input.Submitted) -> None:
        """Take the id of the next device; a remark is not taken by Enter."""
        device = event.value.strip()
        if self._asked.noting:
            line = self.query_one(Input)
            line.value = event.value + line.value
            line.cursor_position = len(line.value)
            self._answer = words.ENTER_IS_NO_NOTE
            return
        try:
            device = scanned_device(self._reader, device)
        except BenchlogError as error:
            self._answer = str(error)
            return
        known = {result.device for result in self.report.results} if self.report else ()
        if device in known:
            self._ask_for(LineQuestion.twice(device, words.newest_counts(self.report)))
        elif device:
            self._ask_for(LineQuestion())
            self._send("device", device)

    def on_input_changed(self, event: Input.Changed) -> None:
        """Take the beginning of the next id for a no."""
        if self._asked.again and event.value:
            self._ask_for(LineQuestion())

    def _ask_for(self, asked: LineQuestion) -> None:
        """Ask something beside the line, or nothing any more."""
        self._asked, self._answer, self._leaving = asked, "", ""
        make_ready(self.query_one(Input), asked)
        self.refresh_bindings()
        self._show()

    def action_answer(self, verb: str) -> None:
        """Say what becomes of the device that may be another part."""
        held = self._held
        if held is not None:
            self._send(verb, "", run=held.run)

    def action_yes(self, meant: str) -> None:
        """Measure the device again, or begin on the one that is in already."""
        asked = self._asked
        if meant == "in":
            self._send("device", "", self.places.focus)
        else:
            self._ask_for(LineQuestion())
            self._send("device", asked.device)

    def action_no(self) -> None:
        """Ask no longer; what the line holds stays there.

        A remark is let go of only by a second no; the line then holds it as an id.
        """
        line = self.query_one(Input)
        note = self._asked.noting and bool(line.value.strip())
        if note and self._answer != words.NOTE_NOT_KEPT:
            self._answer = words.NOTE_NOT_KEPT
            self._show()
            return
        self._ask_for(LineQuestion())

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """Offer only what there is to answer, another position where there is one."""
        held = self._held is not None and not self._asked.verb
        offered: dict[tuple[object, ...], bool] = {
            ("answer",): held,
            ("do", "again"): not held,
            ("do", "aside"): not held,
            ("do", "damaged"): not held,
            ("yes", "again"): self._asked.again,
            ("yes", "in"): self._waits_unasked and not held,
            ("no",): bool(self._asked.verb),
            ("position",): self.places.several,
        }
        for key in ((action, *parameters), (action,)):
            if key in offered:
                return offered[key]
        return super().check_action(action, parameters)

    @property
    def _waits_unasked(self) -> bool:
        return bool(self.places.spot.waiting) and not self._asked.verb

    @property
    def _held(self) -> LotRun | None:
        """The run about whose device something is asked."""
        return self.report.held[0] if self.report and self.report.held else None

    def action_position(self) -> None:
        """Let the keys mean the device at the next position."""
        self.places, self._answer = self.places.next_focus(), ""
        self._show()

    def action_do(self, verb: str) -> None:
        """Ask the keeper for something that needs no words."""
        run = meant(verb, self.report, self.places)
        self._send(verb, "", self.places.focus, run)

    def action_note(self) -> None:
        """Take the line for a remark on the last device; once more: keep it."""
        asked, line = self._asked, self.query_one(Input)
        if not asked.noting:
            device = noted(self.report, self.places)
            run = meant("note", self.report, self.places)
            self._ask_for(LineQuestion.note(device, self.places.focus, run))
            return
        text, line.value = line.value.strip(), ""
        self._ask_for(LineQuestion())
        if text:
            self._send("note", text, asked.position, asked.run)

    def action_pause(self) -> None:
        """Begin nothing, or go on."""
        verb = "go-on" if self.places.paused else "pause"
        self._send(verb, "", self.places.focus)

    def action_bell(self) -> None:
        """Ring for verdicts, or be quiet."""
        self.bell_on = not self.bell_on
        said = "1 ring: pass, 2: fail, 3: undecided"
        self._answer = said if self.bell_on else "no sound"

    def action_help(self) -> None:
        """Explain keys and figures."""
        self.app.push_screen(LotHelp(cast("Screen[object]", self), self._act_on))

    async def _act_on(self, text: str, ended: bool) -> None:
        """Take what was typed while another page was open."""
        for line in self.query(Scanned):  # none any more when all is being left
            line.value += text
            line.cursor_position = len(line.value)
            if ended:
                await line.action_submit()

    def action_leave(self) -> None:
        """Leave; the lot can be gone on with. What would be lost by it asks first."""
        note = self._asked.noting and bool(self.query_one(Input).value.strip())
        lost = words.lost_by_leaving(self.places, noting=note)
        if lost and lost != self._leaving:
            self._leaving = self._answer = lost
            self._show()
        else:
            self.app.exit()

    def _send(
        self, verb: str, text: str, position: str = "", run: int | None = None
    ) -> None:
        request = Request(verb, run, text, position=position)
        run_beside(self, partial(self._sent, request), group="send")

    async def _sent(self, request: Request) -> None:
        async with self._one_by_one:  # ids reach the keeper in the order of the scans
            answer = await self._ask(request)
        if where := answer.data.get("position"):
            self.places = self.places.looking_at(str(where))
        await self._hear()
        if not self.has_widgets:
            return
        self._answer = words.answered(request, answer)
        self._show()

    async def _ask(self, request: Request) -> Answer:
        try:
            return await asyncio.to_thread(
                control.ask, self.bench.control, request, self._file
            )
        except BenchlogError as error:
            return Answer(ok=False, error=str(error))
