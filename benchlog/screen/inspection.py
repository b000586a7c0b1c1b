"""A lot on the screen: what to do next, the verdict in large letters, how it stands."""

import asyncio
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import ClassVar, Final, cast

from textual.binding import Binding, BindingType
from textual.screen import Screen
from textual.widget import Widget
from textual.widgets import Input

from benchlog import control
from benchlog.control import Answer, Request
from benchlog.errors import BenchlogError
from benchlog.model import Lot
from benchlog.screen import inspection_words as words
from benchlog.screen.base import BenchScreen
from benchlog.screen.help import HelpScreen
from benchlog.screen.inspection_places import Places
from benchlog.screen.questions import AskText, AskTwice, Typed
from benchlog.screen.widgets.parts import Newest
from benchlog.screen.widgets.plain import Plain
from benchlog.store.reader import Reader
from benchlog.units import printable
from benchlog.verdict.lotreport import LotReport, lot_report

_TICK_S: Final = 0.2
_RING_S: Final = 0.18


@dataclass(frozen=True, slots=True)
class Bench:
    """What the screen looks at and speaks to."""

    database: Path
    lot: Lot
    control: Path
    bell: bool = False


class LotScreen(BenchScreen):
    """Insert, scan, look, take the next."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding(
            "f2",
            "do('again')",
            "again",
            key_display="F2",
            tooltip="measure the last device again",
        ),
        Binding(
            "f3",
            "do('aside')",
            "undo last",
            key_display="F3",
            tooltip="its run shall not count",
        ),
        Binding(
            "f4",
            "do('damaged')",
            "damaged",
            key_display="F4",
            tooltip="it counts as defective",
        ),
        Binding(
            "f5",
            "note",
            "note",
            key_display="F5",
            tooltip="write a remark into its run",
        ),
        Binding(
            "f6",
            "pause",
            "pause/go on",
            key_display="F6",
            tooltip="begin nothing for a while",
        ),
        Binding(
            "f7",
            "bell",
            "sound",
            key_display="F7",
            tooltip="1 ring pass, 2 fail, 3 undecided",
        ),
        Binding(
            "f8",
            "leave",
            "leave",
            key_display="F8",
            tooltip="`inspect --lot` goes on from here",
        ),
        Binding(
            "tab",
            "position",
            "position",
            key_display="Tab",
            tooltip="with several positions: the keys mean the next one",
            priority=True,
        ),
        Binding("ctrl+c", "leave", "leave", show=False),
        Binding("f1", "help", "help", key_display="F1", tooltip="this page"),
    ]

    def __init__(self, bench: Bench) -> None:
        super().__init__()
        self.bench, self.bell_on = bench, bench.bell
        self._reader = Reader.open(bench.database)
        self._part = self._reader.part(bench.lot.part_id)
        self.report: LotReport | None = None
        self.places = Places()
        self._answer = ""
        self._ended: frozenset[int] | None = None

    def content(self) -> Iterable[Widget]:
        """Return the parts of the screen from top to bottom."""
        yield Plain(id="lot")
        yield Plain(id="counts")
        yield Plain(id="todo", classes="asked")
        yield Typed(id="id", max_length=500, placeholder="device id, then Enter")
        yield Plain(id="verdict-large")
        yield Plain(id="figures")
        yield Plain(id="said")
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
        self.run_worker(self._hear(), group="hear", exclusive=True)

    async def _hear(self) -> None:
        answer = await self._ask("status")
        before, self.places = self.places, Places.of(answer, self.places)
        if before.several is not self.places.several:
            self.refresh_bindings()
        if self.places.said != before.said:
            self._answer = ""  # what the keeper says is newer than its last answer
        self._show()

    def _show(self) -> None:
        lot = self.bench.lot
        runs = tuple(self._reader.lot_runs(lot))
        report = self.report
        if report is None or report.runs != runs:
            report = self.report = lot_report(lot, self._part, runs)
        self._look_for_verdicts(report)
        places = self.places
        spots = [spot.run for spot in places.spots if spot.run is not None]
        readings = {run: self._reader.count(run) for run in spots}
        busy = places.spot.run is not None
        last = words.last_run(report, places.focus)
        self._plain("lot", words.lot_line(report))
        self._plain("counts", words.counts_line(report))
        self._plain("todo", words.todo(report, places, readings))
        large, style = words.large_verdict(last, busy=busy)
        self.query_one("#verdict-large").set_classes(style)
        self._plain("verdict-large", large)
        figures = words.figures_line(last, busy=busy, several=places.several)
        self._plain("figures", figures)
        self._plain("said", printable(self._answer or places.said))
        self._plain("devices", words.devices(report))

    def _plain(self, name: str, text: str) -> None:
        self.query_one(f"#{name}", Plain).show(text)

    def _look_for_verdicts(self, report: LotReport) -> None:
        """Turn to the position whose verdict is new, and ring; not for old ones."""
        ended = {run.run: run for run in report.runs if words.has_ended(run)}
        new = [] if self._ended is None else sorted(ended.keys() - self._ended)
        self._ended = frozenset(ended)
        for run in (ended[number] for number in new):
            if self.places.heard:
                self.places = self.places.looking_at(run.position)
            for number in range(words.rings(run) if self.bell_on else 0):
                self.set_timer(_RING_S * number + 0.01, self.app.bell)

    # --- what a person does --------------------------------------------------------

    def on_input_submitted(self, event: Input.Submitted) -> None:
        """Take the id of the next device; Enter alone: it is in."""
        device, event.input.value = event.value.strip(), ""
        known = {result.device for result in self.report.results} if self.report else ()
        if device and device in known:
            said = words.newest_counts(self.report)
            asked = f"{printable(device)} was measured already."
            self.app.push_screen(
                AskTwice(asked, said), lambda a: self._device(device, a)
            )
        else:
            self._device(device, "yes")

    def _device(self, device: str, meant: str | None) -> None:
        """Give an id to the keeper, which knows where there is room; Enter: here."""
        here = self.places.focus if not device and self.places.spot.waiting else ""
        if meant:
            self.run_worker(self._sent("device", device, here), group="send")

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """Offer another position only where there is one."""
        if action == "position":
            return self.places.several
        return super().check_action(action, parameters)

    def action_position(self) -> None:
        """Let the keys mean the device at the next position."""
        self.places, self._answer = self.places.next_focus(), ""
        self._show()

    def action_do(self, verb: str) -> None:
        """Ask the keeper for something that needs no words."""
        self._send(verb, "", "yes")

    def action_note(self) -> None:
        """Write a remark into the run of the last device."""
        self.app.push_screen(
            AskText("Note for this device"),
            lambda text: self._send("note", (text or "").strip(), text),
        )

    def action_pause(self) -> None:
        """Begin nothing, or go on."""
        self._send("go-on" if self.places.paused else "pause", "", "yes")

    def action_bell(self) -> None:
        """Ring for verdicts, or be quiet."""
        self.bell_on = not self.bell_on
        said = "1 ring: pass, 2: fail, 3: undecided"
        self._answer = said if self.bell_on else "no sound"

    def action_help(self) -> None:
        """Explain keys and figures."""
        self.app.push_screen(HelpScreen(cast("Screen[object]", self)))

    def action_leave(self) -> None:
        """Leave; the lot can be gone on with."""
        self.app.exit()

    def _send(self, verb: str, text: str, meant: str | None) -> None:
        if meant:
            here = self.places.focus
            self.run_worker(self._sent(verb, text, here), group="send")

    async def _sent(self, verb: str, text: str, position: str) -> None:
        answer = await self._ask(verb, text, position)
        if where := answer.data.get("position"):
            self.places = self.places.looking_at(str(where))
        await self._hear()
        self._answer = words.answered(verb, text, answer)
        self._show()

    async def _ask(self, verb: str, text: str = "", position: str = "") -> Answer:
        try:
            request = Request(verb, None, text, position=position)
            return await asyncio.to_thread(control.ask, self.bench.control, request)
        except BenchlogError as error:
            return Answer(ok=False, error=str(error))
