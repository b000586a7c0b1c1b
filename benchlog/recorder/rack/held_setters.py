"""Setters of a keeper, each in a process of its own, from its start to letting go."""

import contextlib
import selectors
from collections.abc import Callable, Iterator, Mapping

from benchlog.recorder.rack.setter_handle import SetterHandle, SetterReport

SETTER = "setter"
"""What the selector calls a setter's pipe."""


class HeldSetters:
    """Starts setters, hears them, tells them that the keeper is there, lets them go."""

    def __init__(
        self,
        handles: Mapping[str, SetterHandle],
        selector: selectors.BaseSelector,
        heard: Callable[[str, SetterReport], None],
    ) -> None:
        self.handles, self._selector, self._heard = handles, selector, heard
        self._finished = False

    def start(self) -> None:
        """Start each process; it opens its setter by itself."""
        for name, handle in self.handles.items():
            handle.start()
            self._register(name)

    def tend(self) -> None:
        """Tell each that we are there; hear again of one that was started anew."""
        for name, handle in self.handles.items():
            was_down = not handle.running
            for report in handle.tend():
                self._heard(name, report)
            if was_down and handle.running:
                self._register(name)

    def hear(self, name: str) -> None:
        """Take what has come from one of them."""
        handle = self.handles[name]
        descriptor = handle.fileno()
        for report in handle.hear():
            if report.kind == "ended":
                with contextlib.suppress(KeyError, ValueError):
                    self._selector.unregister(descriptor)
            self._heard(name, report)

    def finish(self) -> Iterator[tuple[str, str]]:
        """Let go of each, once; yield those that may not have, by name, with why."""
        if self._finished:
            return
        self._finished = True
        for name, handle in self.handles.items():
            if handle.running:
                with contextlib.suppress(KeyError, ValueError):
                    self._selector.unregister(handle.fileno())
            if why := handle.finish():
                yield name, why

    def _register(self, name: str) -> None:
        descriptor = self.handles[name].fileno()
        self._selector.register(descriptor, selectors.EVENT_READ, (SETTER, name))


def held_words(name: str, why: str) -> str:
    """Return what a person is told of a setter that may not have let go."""
    return (
        f"setter {name!r} may not be in its safe state: {why}; look at it, and "
        "switch it off by hand"
    )
