"""All runs of the database: find one by typing, open it with Enter."""

import asyncio
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import ClassVar, Final

from rich.text import Text
from textual import events
from textual.binding import Binding, BindingType
from textual.widget import Widget
from textual.widgets import DataTable, Input

from benchlog.errors import BenchlogError, UnreadableRunError, listed
from benchlog.evaluation.run_evaluation import assess, with_figures
from benchlog.keepers import KnownKeepers
from benchlog.model import Purpose, Run
from benchlog.screen.background_view import ComparisonScreen
from benchlog.screen.base import BenchScreen, run_beside
from benchlog.screen.comparison import MOST as MOST_COMPARED
from benchlog.screen.run_list import columns_for, found_by, whole_words
from benchlog.screen.run_status import GONE
from benchlog.screen.screen_host import ScreenHost
from benchlog.screen.widgets.text import PlainText
from benchlog.store.reader import Reader
from benchlog.units import printable

MOST: Final = 2_000
"""How many runs are looked through, the newest first."""
_MARGIN: Final = 4
MARK: Final = "▸"
"""Before the number of a run that is marked for a comparison."""


class Finder(Input):
    """The line that narrows the list; keys for moving pass through to the screen."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("enter", "screen.open", "open", key_display="Enter"),
        Binding("up", "screen.move(-1)", "choose", key_display="↑↓"),
        Binding("ctrl+c", "app.interrupt", "leave", show=False),
    ]

    def __init__(self, *, placeholder: str) -> None:
        super().__init__(placeholder=placeholder)
        self.all_is_text = False
        """Whether `q` is text: the line holds something, or `/` came before."""

    async def on_key(self, event: events.Key) -> None:
        """Quit with `q` as everywhere, while nothing is typed; after `/` it is text."""
        if self.value or self.all_is_text or event.key not in ("q", "slash"):
            self.all_is_text = self.all_is_text and event.key != "escape"
            return
        event.stop()
        event.prevent_default()
        if event.key == "q":
            await self.app.run_action("leave")
        else:
            self.all_is_text = True


class HistoryScreen(BenchScreen):
    """The runs, the newest first."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("up", "move(-1)", "up", show=False),
        Binding("down", "move(1)", "down", show=False),
        Binding("pageup", "move(-10)", "page up", show=False),
        Binding("pagedown", "move(10)", "page down", show=False),
        Binding("enter", "open", "open", key_display="Enter", show=False),
        Binding(
            "f4",
            "mark",
            "mark",
            key_display="F4",
            tooltip="mark the run for a comparison, or no longer",
        ),
        Binding(
            "f5",
            "compare",
            "compare",
            key_display="F5",
            tooltip="the marked runs, and the chosen one, with the first marked",
        ),
        Binding("escape", "back", "back", key_display="Esc"),
        Binding("f1", "app.help", "help", key_display="F1", tooltip="this page"),
        Binding("ctrl+q", "app.leave", "quit", key_display="q"),
        Binding(
            "slash",
            "find",
            "find",
            key_display="/",
            tooltip="all keys are text from here, also a q at the beginning",
        ),
    ]
    app: ScreenHost

    def __init__(self, database: Path) -> None:
        super().__init__()
        self._database = database
        self._runs: list[Run] = []
        self._shown: list[Run] = []
        self._marked: list[int] = []

    def content(self) -> Iterable[Widget]:
        """Return the head, the line to type in, the list, and one run in full."""
        yield PlainText(id="title")
        yield Finder(placeholder="type to find: device, part, lot, verdict, date")
        yield DataTable(cursor_type="row", cell_padding=0, id="runs")
        yield PlainText(id="whole")

    def on_screen_resume(self) -> None:
        """Read the list anew."""
        super().on_screen_resume()
        try:
            with Reader.open(self._database) as reader:
                self._runs = reader.runs(limit=MOST)
                self._name_left_out(reader.left_out)
        except BenchlogError as error:
            self._runs = []
            self.app.say(str(error))
        self._narrow()
        self.query_one(Finder).focus()
        run_beside(self, self._look_closer, group="closer", exclusive=True)

    def _name_left_out(self, left_out: Mapping[str, str]) -> None:
        """Name what cannot be read; the list is whole but for that."""
        if left_out:
            names = listed(list(left_out))
            self.app.say(f"left out: {names}; `benchlog check` tells why")

    async def _look_closer(self) -> None:
        """Say how runs stand whose row does not tell; the list is there meanwhile."""
        try:
            known = await asyncio.to_thread(as_they_stand, self._database, self._runs)
        except BenchlogError as error:
            self.app.say(str(error))
            return
        if known:
            self._runs = [known.get(run.id, run) for run in self._runs]
            self._narrow()

    def on_resize(self) -> None:
        """Use the width there is now."""
        self.call_after_refresh(self._narrow)

    def on_input_changed(self) -> None:
        """Show the runs in which every typed word occurs."""
        self._narrow()

    def action_find(self) -> None:
        """Take every key for text; the line does that itself."""

    def action_open(self) -> None:
        """Open the run under the cursor."""
        self._open(self.query_one(DataTable).cursor_row)

    def on_data_table_row_selected(self, event: DataTable.RowSelected) -> None:
        """Open the run that was clicked."""
        self._open(event.cursor_row)

    def on_data_table_row_highlighted(self, event: DataTable.RowHighlighted) -> None:
        """Show what the columns had no room for."""
        row = event.cursor_row
        known = 0 <= row < len(self._shown)
        self.query_one("#whole", PlainText).show(
            whole_words(self._shown[row]) if known else ""
        )

    def action_move(self, rows: int) -> None:
        """Move the cursor by some rows."""
        table = self.query_one(DataTable)
        last = max(0, len(self._shown) - 1)
        table.move_cursor(row=min(last, max(0, table.cursor_row + rows)))

    def action_mark(self) -> None:
        """Mark the run under the cursor for a comparison; once more takes it back."""
        chosen = self._chosen()
        if chosen is None:
            return
        if chosen in self._marked:
            self._marked.remove(chosen)
        elif len(self._marked) == MOST_COMPARED:
            self.app.say(
                f"{MOST_COMPARED} runs fit one picture; `benchlog compare` takes more"
            )
            return
        else:
            self._marked.append(chosen)
        self._narrow()

    def action_compare(self) -> None:
        """Show the marked runs side by side; the chosen one joins a single marked."""
        chosen, wanted = self._chosen(), list(self._marked)
        if len(wanted) < 2 and chosen is not None and chosen not in wanted:
            wanted.append(chosen)
        by_id = {run.id: run for run in self._runs}
        runs = [by_id[one] for one in wanted if one in by_id]
        if len(runs) < 2:
            self.app.say("mark a run with F4, go to another, press F5")
            return
        self.app.push_screen(ComparisonScreen(self._database, runs))

    def _open(self, row: int) -> None:
        if 0 <= row < len(self._shown):
            self.app.open_run(self._shown[row].id)

    def _narrow(self) -> None:
        """Show what was typed for; the cursor stays on its run while that is there."""
        chosen = self._chosen()
        words = self.query_one(Finder).value.casefold().split()
        self._shown = [
            run for run in self._runs if all(word in found_by(run) for word in words)
        ]
        table = self.query_one(DataTable)
        table.clear(columns=True)
        columns = columns_for(self.size.width - _MARGIN, self._shown)
        for column in columns:
            table.add_column(Text(column.head), width=column.cells)
        for run in self._shown:
            said = [c.said(run) for c in columns]
            if run.id in self._marked:
                said[0] = f"{MARK}{said[0]}"
            cells = zip(said, columns, strict=True)
            table.add_row(
                *(Text(_fitted(text, c.cells - 1)) for text, c in cells),
                key=str(run.id),
            )
        kept = [row for row, run in enumerate(self._shown) if run.id == chosen]
        table.move_cursor(row=kept[0] if kept else 0)
        self._say_how_many()

    def _chosen(self) -> int | None:
        """Return the id of the run under the cursor."""
        row = self.query_one(DataTable).cursor_row
        return self._shown[row].id if 0 <= row < len(self._shown) else None

    def _say_how_many(self) -> None:
        name = printable(self._database.name)
        runs = "1 run" if len(self._runs) == 1 else f"{len(self._runs):,} runs"
        among = f"{runs} in {name}, the newest first"
        if len(self._runs) == MOST:
            among = f"the newest {MOST:,} runs in {name}"
        if not self._runs:
            among = f"no run yet in {name}"
        narrowed = len(self._shown) != len(self._runs)
        found = f"{len(self._shown):,} found among " if narrowed else ""
        marked = ", ".join(map(str, self._marked))
        told = f"  {MARK}marked: {marked}" if marked else ""
        self.query_one("#title", PlainText).show(found + among + told)
        if not self._shown:
            self.query_one("#whole", PlainText).show("")


def _fitted(text: str, cells: int) -> str:
    """Cut text to its column, with a sign that there is more."""
    fitted = Text(printable(text))
    fitted.truncate(cells, overflow="ellipsis")
    return fitted.plain


# --- how runs stand whose row does not say it, for the list: open ones, imports

_MOST_RUNS: Final = 30
_MOST_READINGS: Final = 200_000


def as_they_stand(database: Path, runs: Sequence[Run]) -> dict[int, Run]:
    """Return by id the runs whose row does not tell all, with what is known of them.

    Of open ones `ended_how` says whether somebody keeps them; offset, U and verdict are
    today's; an import is dated by its readings. At most 30 runs are gone through, and
    the figures of runs beyond 200,000 readings are left to the live screen. May take
    seconds. Raises StoreError.
    """
    untold = [run for run in runs if run.open or run.purpose is Purpose.IMPORT]
    untold = untold[:_MOST_RUNS]
    with Reader.open(database) as reader:
        states = KnownKeepers(reader.original).states(untold)
        return {run.id: _standing(reader, run, states[run.id]) for run in untold}


def _standing(reader: Reader, run: Run, state: str) -> Run:
    if run.open:
        run = replace(run, ended_how=state if state == "running" else GONE)
    if run.purpose is Purpose.IMPORT:
        began, _ = reader.made_utc_ns(run)
        if began is not None:
            run = replace(run, started_utc_ns=began)
    if run.verdict is not None or not 0 < run.readings <= _MOST_READINGS:
        return run
    try:
        return with_figures(run, assess(reader, run))
    except UnreadableRunError:  # its row stays, without figures
        return run
