"""What a setter's suite sees of an instrument that is set by lines."""

from collections.abc import Callable
from types import TracebackType
from typing import Self

from benchlog.testing.faults import Fault
from benchlog.testing.peers import Peer, TcpPeer
from benchlog.testing.setter_scripts import SetState, SettingScript, SettingWords


class LinePeer:
    """An instrument that is set by lines, over a real socket or pseudo-terminal.

    Parameters
    ----------
    words : SettingWords
        The lines it knows.
    safe : callable
        From its state to whether that is the safe one.
    over : callable
        `TcpPeer` or `PtyPeer`.
    terminator : bytes
        At the end of its lines.

    """

    def __init__(
        self,
        words: SettingWords,
        safe: Callable[[SetState], bool],
        over: Callable[[SettingScript], Peer] = TcpPeer,
        terminator: bytes = b"\n",
    ) -> None:
        self.script = SettingScript(words, terminator)
        self._safe = safe
        self._peer = over(self.script)
        self.address = self._peer.address

    def ordered(self) -> list[float]:
        """See `SetterPeer.ordered`."""
        return list(self.script.ordered)

    def heard(self) -> int:
        """See `SetterPeer.heard`."""
        return len(self.script.heard)

    def is_safe(self) -> bool:
        """See `SetterPeer.is_safe`."""
        return self._safe(self.script.state)

    def turn_to(self, value: float) -> None:
        """See `SetterPeer.turn_to`."""
        self.script.state.value = value

    def misbehave(self, fault: Fault) -> None:
        """See `SetterPeer.misbehave`."""
        self.script.misbehave(fault)

    def hang_up(self) -> None:
        """See `SetterPeer.hang_up`."""
        self._peer.hang_up()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._peer.stop()
