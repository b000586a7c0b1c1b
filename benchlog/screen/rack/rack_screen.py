"""The rack at a glance: a row for each device, and how far its sequence is."""

import asyncio
import math
from collections.abc import Iterable
from functools import partial
from pathlib import Path
from typing import ClassVar, Final

from rich.text import Text
from textual.binding import Binding, BindingType
from textual.content import Content
from textual.widget import Widget
from textual.widgets import DataTable

from benchlog.clock import host_clock
from benchlog.errors import BenchlogError
from benchlog.evaluation.rack.time_left import time_left_s
from benchlog.evaluation.rack.wording import nearest_to_limit, verdict_counts
from benchlog.evaluation.rack_study import (
    Qualification,
    QualifiedDevice,
    qualification_of,
)
from benchlog.evaluation.verdict_wording import symbol_of
from benchlog.model import Run
from benchlog.screen import control_client as asking
from benchlog.screen.base import BenchScreen, run_beside
from benchlog.screen.questions import AskStop, AskText
from benchlog.screen.rack.curve_screen import CurveScreen
from benchlog.screen.run_status import KeeperStatus
from benchlog.screen.screen_host import ScreenHost
from benchlog.screen.widgets.text import PlainText, TwoEnds
from benchlog.store.reader import Reader
from benchlog.units import format_duration, format_ppm, printable

_LOOK_S: Final = 2.0  # our rule: the figures of a large rack take about a second
_BAR: Final = 16
_WIDE: Final = 110  # our rule: where the nearest figure fits beside the others
NEAREST: Final = "nearest to its limit"
"""The column that a wide screen has beside `COLUMNS`."""
COLUMNS: Final = ("position", "device", "offset ppm", "state", "verdict so far")


class RackScreen(BenchScreen):
    """All devices of a qualification, worked out anew every few seconds."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("up", "move(-1)", "choose", key_display="↑↓"),
        Binding("down", "move(1)", "down", show=False),
        Binding("pageup", "move(-10)", "page up", show=False),
        Binding("pagedown", "move(10)", "page down", show=False),
        Binding(
            "enter",
            "closer",
            "characteristic",
            key_display="Enter",
            tooltip="show the characteristic of the device; Esc comes back",
        ),
        Binding(
            "s",
            "stop",
            "stop",
            tooltip="end the sequence; everything is let go of, readings are kept",
        ),
        Binding("n", "note", "note", tooltip="write a remark on the chosen device"),
        Binding("h", "app.history", "history", tooltip="all runs of this database"),
        Binding("escape", "back", "back", key_display="Esc"),
    ]
    app: ScreenHost

    def __init__(self, database: Path, run_id: int) -> None:
        super().__init__()
        self._database, self._run_id = database, run_id
        self.found: Qualification | None = None
        self._keeper = KeeperStatus()
        self._looking = False
        self._widths: tuple[int, ...] = ()

    @property
    def keeper_is_gone(self) -> bool:
        """Whether nobody takes the rack through its sequence any more."""
        return self._keeper.state == "gone"

    def content(self) -> Iterable[Widget]:
        """Return the head, the progress, the devices and what all come to."""
        table: DataTable[Text] = DataTable(
            id="rack", cursor_type="row", zebra_stripes=False
        )
        table.can_focus = False
        yield TwoEnds(id="rack-head")
        yield PlainText(id="rack-progress")
        yield PlainText(id="rack-now")
        yield table
        yield PlainText(id="rack-foot")

    def on_mount(self) -> None:
        """Look now and every few seconds."""
        self._look()
        self.set_interval(_LOOK_S, self._look)

    def _look(self) -> None:
        over = self.found is not None and not any(
            one.run.open for one in self.found.devices
        )
        if not self._looking and not over:
            run_beside(self, self._read, group="rack")

    async def _read(self) -> None:
        """Work everything out in a thread of its own, so that keys stay quick."""
        self._looking = True
        try:
            self.found = await asyncio.to_thread(self._worked_out)
            going = [one.run for one in self.found.devices if one.run.open]
            if going:
                self._keeper = await asking.hear(
                    self._database, going[0], self.app.file
                )
        except BenchlogError as error:
            self.app.say(str(error))
            return
        finally:
            self._looking = False
        if self.has_widgets:
            self._show(self.found)
            self.refresh_bindings()

    def _worked_out(self) -> Qualification:
        with Reader.open(self._database) as reader:
            return qualification_of(reader, self._run_id)

    def _show(self, found: Qualification) -> None:
        first = found.devices[0].run
        said = f"rack · {first.part.id} · {found.plan.title} · bench {first.bench}"
        simulated = any(one.run.simulated for one in found.devices)
        sign = Content.styled(" SIMULATED ", "reverse") if simulated else Content("")
        head = Content.styled(printable(said), "$dim")
        self.query_one("#rack-head", TwoEnds).show(head, sign)
        now_ns = host_clock().utc_ns()
        progress = progress_text(found, now_ns)
        self.query_one("#rack-progress", PlainText).show(progress)
        now = now_text(found, self._keeper)
        self.query_one("#rack-now", PlainText).show(now)
        table = self.query_one(DataTable)
        chosen = table.cursor_row if table.row_count else self._named(found)
        rows = [row_of(found, one) for one in found.devices]
        if self.size.width >= _WIDE:
            nearest = [printable(nearest_to_limit(one)) for one in found.devices]
            rows = [(*row, said) for row, said in zip(rows, nearest, strict=True)]
        self._widen(table, rows)
        table.clear()
        for row in rows:
            table.add_row(*(Text(cell) for cell in row))
        table.move_cursor(row=min(chosen, len(found.devices) - 1))
        words = verdict_counts(one.verdict for one in found.devices)
        devices = f"{len(found.devices)} devices: {words}"
        self.query_one("#rack-foot", PlainText).show(devices)

    def _named(self, found: Qualification) -> int:
        """Return the row of the run that was named: who looks at it means it."""
        runs = [one.run.id for one in found.devices]
        return runs.index(self._run_id) if self._run_id in runs else 0

    def _widen(self, table: "DataTable[Text]", rows: list[tuple[str, ...]]) -> None:
        """Give columns the room that they need before rows come.

        A table that finds the room by itself paints cells cut off for a moment.
        """
        names = (*COLUMNS, NEAREST)[: len(rows[0])]
        before = self._widths if len(self._widths) == len(names) else (0,) * len(names)
        needed = tuple(
            max(width, len(name), *map(len, column))
            for width, name, *column in zip(before, names, *rows, strict=True)
        )
        if needed != self._widths:
            self._widths = needed
            table.clear(columns=True)
            for name, width in zip(names, needed, strict=True):
                table.add_column(name, width=width)

    def action_move(self, lines: int) -> None:
        """Choose another device."""
        table = self.query_one(DataTable)
        last = max(0, table.row_count - 1)
        table.move_cursor(row=max(0, min(last, table.cursor_row + lines)))

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """Offer only what would do something now."""
        if action in ("stop", "note"):
            return bool(self._open_runs()) and not (
                self.keeper_is_gone or self.app.look_only
            )
        return super().check_action(action, parameters)

    def _open_runs(self) -> list[Run]:
        devices = () if self.found is None else self.found.devices
        return [one.run for one in devices if one.run.open]

    def action_stop(self) -> None:
        """End the sequence of all devices, if that is really meant."""

        def answered(answer: str | None) -> None:
            if answer == "stop":
                run_beside(self, self._stop_all, group="stop")

        self.app.push_screen(AskStop("Stop the whole rack?", self._at_stake), answered)

    def _at_stake(self) -> str:
        """Say what becomes of everything."""
        return (
            "Chamber and supply are let go of. Readings stay; `benchlog qualify "
            "--resume-last` goes on at this step."
        )

    async def _stop_all(self) -> None:
        for run in self._open_runs():
            answer = await self.app.ask(run, "stop")
            if not answer.ok:
                self.app.say(f"not done: {answer.error}")
                return
        self._look()

    def action_note(self) -> None:
        """Write a remark into the run of the device that is chosen."""
        assert self.found is not None  # else the key is not offered
        run = self.found.devices[self.query_one(DataTable).cursor_row].run

        async def write(text: str) -> None:
            answer = await self.app.ask(run, "note", text)
            if not answer.ok:
                self.app.say(f"not done: {answer.error}")

        def answered(text: str | None) -> None:
            if text:
                run_beside(self, partial(write, text), group="note")

        asked = f"Note on {printable(run.device)}"
        self.app.push_screen(AskText(asked), answered)

    def action_closer(self) -> None:
        """Show the characteristic of the device that is chosen."""
        if self.found is not None:
            row = self.query_one(DataTable).cursor_row
            self.app.push_screen(CurveScreen(self, self.found.devices[row].run.id))


def now_text(found: Qualification, keeper: KeeperStatus) -> str:
    """Return what is waited for now, or why nothing is."""
    if not any(one.run.open for one in found.devices):
        ends = dict.fromkeys(one.run.ended_how or "" for one in found.devices)
        return printable("ended: " + "; ".join(ends))
    if keeper.state == "gone":
        return "cut: nobody keeps it; `benchlog qualify --resume-last` goes on"
    return printable(f"now: {keeper.now}") if keeper.now else ""


def progress_text(found: Qualification, now_utc_ns: int | None = None) -> str:
    """Return how far the sequence is: a bar, the step, and its number."""
    steps, done = len(found.plan.steps), found.steps_done
    share = done / steps if steps else 1.0
    filled = round(_BAR * share)
    bar = "█" * filled + "░" * (_BAR - filled)
    last = found.plan.steps[done - 1].name if done else "none yet"
    said = f"{bar} {done} of {steps} steps measured"
    left_s = time_left_s(found, now_utc_ns) if done < steps else None
    if left_s is not None and any(one.run.open for one in found.devices):
        about = format_duration(60 * math.ceil(left_s / 60)).removesuffix(" 00 s")
        said += f" · about {about} left"
    return printable(f"{said} · last: {last}")


def row_of(found: Qualification, one: QualifiedDevice) -> tuple[str, ...]:
    """Return the cells of one device, as `COLUMNS` names them."""
    last = one.points[-1] if one.points else None
    offset = "-"
    if last is not None and len(last.offsets_ppm):
        offset = format_ppm(float(last.offsets_ppm.mean()), 0.001)
    word = one.verdict
    return (
        printable(one.run.position),
        printable(one.run.device),
        offset,
        state_of(found, one),
        f"{symbol_of(word)} {word.upper()}",
    )


def state_of(found: Qualification, one: QualifiedDevice) -> str:
    """Return what a device does now, in a few words."""
    if not one.run.open:
        return "ended"
    if not one.points:
        return "waits for its first turn"
    last = one.points[-1]
    if not last.turn.ran:
        return "no signal"
    if one.steps_done < found.steps_done:
        return "its turn comes"
    return "measured" if last.turn.settled else "measured, not settled"
