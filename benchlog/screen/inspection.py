"""A lot on the screen: what to do next, the verdict in large letters, how it stands."""

import asyncio
import contextlib
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import ClassVar, Final, cast

from textual.app import App
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
from benchlog.screen.palette import BENCH
from benchlog.screen.questions import AskText, Question, Typed
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


class AskTwice(Question, inherit_bindings=False):
    """Whether a device that was measured already is measured again."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("enter", "answer('yes')", "measure it, keep both", key_display="Enter"),
        Binding("escape", "answer('')", "back", key_display="Esc"),
    ]


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
        Binding("ctrl+c", "leave", "leave", show=False),
        Binding("f1", "help", "help", key_display="F1", tooltip="this page"),
    ]
    app: "LotApp"

    def __init__(self, bench: Bench) -> None:
        super().__init__()
        self.bench, self.bell_on = bench, bench.bell
        self._reader = Reader.open(bench.database)
        self._part = self._reader.part(bench.lot.part_id)
        self.report: LotReport | None = None
        self.places = words.Places()
        self._answer, self._shown_run = "", 0

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
        before, self.places = self.places, words.Places.of(answer, self.places)
        if self.places.said != before.said:
            self._answer = ""  # what the keeper says is newer than its last answer
        self._show()

    def _show(self) -> None:
        lot = self.bench.lot
        runs = tuple(self._reader.lot_runs(lot))
        report = self.report
        if report is None or report.runs != runs:
            report = self.report = lot_report(lot, self._part, runs)
        run, places = self.places.run, self.places
        count = self._reader.count(run) if run else 0
        last = words.last_run(report)
        self._plain("lot", words.lot_line(report))
        self._plain("counts", words.counts_line(report))
        self._plain("todo", words.todo(report, places, count))
        large, style = words.large_verdict(last, busy=run is not None)
        self.query_one("#verdict-large").set_classes(style)
        self._plain("verdict-large", large)
        self._plain("figures", words.figures_line(last, busy=run is not None))
        self._plain("said", printable(self._answer or places.said))
        self._plain("devices", words.devices(report))
        self._ring(last.run if last else 0, words.rings(last))

    def _plain(self, name: str, text: str) -> None:
        self.query_one(f"#{name}", Plain).show(text)

    def _ring(self, run: int, times: int) -> None:
        first, new = self._shown_run == 0, run != self._shown_run
        self._shown_run = run or self._shown_run
        if self.bell_on and new and run and not (first and not self.places.heard):
            for number in range(times):
                self.set_timer(_RING_S * number + 0.01, self.app.bell)

    # --- what a person does --------------------------------------------------------

    def on_input_submitted(self, event: Input.Submitted) -> None:
        """Take the id of the next device; Enter alone: it is in."""
        device, event.input.value = event.value.strip(), ""
        known = {result.device for result in self.report.results} if self.report else ()
        if device and device in known:
            said = "Its newest run will count; both are kept."
            asked = f"{printable(device)} was measured already."
            self.app.push_screen(
                AskTwice(asked, said), lambda a: self._send("device", device, a)
            )
        else:
            self._send("device", device, "yes")

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
            self.run_worker(self._sent(verb, text), group="send")

    async def _sent(self, verb: str, text: str) -> None:
        answer = await self._ask(verb, text)
        await self._hear()
        self._answer = words.answered(verb, text, answer)
        self._show()

    async def _ask(self, verb: str, text: str = "") -> Answer:
        try:
            request = Request(verb, None, text)
            return await asyncio.to_thread(control.ask, self.bench.control, request)
        except BenchlogError as error:
            return Answer(ok=False, error=str(error))


class LotApp(App[None]):
    """The screen of one lot."""

    CSS_PATH: ClassVar = ["bench.tcss", "lists.tcss", "inspection.tcss"]
    ENABLE_COMMAND_PALETTE = False

    def __init__(self, bench: Bench) -> None:
        super().__init__()
        self.register_theme(BENCH)
        self.theme = BENCH.name
        self.title = "benchlog"
        self._bench = bench

    def on_mount(self) -> None:
        """Show the lot."""
        self.push_screen(LotScreen(self._bench))


def run_inspection(bench: Bench) -> None:
    """Show a lot until the person leaves; blocks. Raises BenchlogError if it breaks."""
    app = LotApp(bench)
    with contextlib.suppress(KeyboardInterrupt):
        app.run()
    if app.return_code:
        raise BenchlogError(
            "the screen broke down; what was measured is kept, `benchlog inspect --lot "
            f"{printable(bench.lot.lot)}` goes on"
        )
