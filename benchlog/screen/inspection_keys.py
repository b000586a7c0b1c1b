"""The keys of a lot's screen; no scanner sends one of those that answer."""

from typing import Final

from textual.binding import Binding, BindingType

LOT_KEYS: Final[list[BindingType]] = [
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
        tooltip="write a remark into its run; once more keeps it",
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
        "f9",
        "yes('again')",
        "measure it again",
        key_display="F9",
        tooltip="yes, measure it again: both runs are kept, the newest counts",
    ),
    Binding(
        "f9",
        "yes('in')",
        "it is in",
        key_display="F9",
        tooltip="the device that is waited for is in already",
    ),
    Binding(
        "escape",
        "no",
        "no",
        key_display="Esc",
        tooltip="no: what was typed stays in the line",
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
