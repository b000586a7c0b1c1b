"""What a setter's suite sees of an instrument that is set by lines."""

from collections.abc import Callable
from types import TracebackType
from typing import Protocol, Self

from benchlog.testing.faults import Fault
from benchlog.testing.peers import Peer, TcpPeer
from benchlog.testing.setter_scripts import SetState, SettingScript, SettingWords


class SetterPeer(Protocol):
    """The instrument of a test, as the suite sees it.

    `LinePeer` is one for whatever is set by lines.
    """

    address: str

    def ordered(self) -> list[float]:
        """Return each value that has arrived, in order: what was on the wire."""
        ...

    def heard(self) -> int:
        """Return how much has arrived of any kind: lines, requests, starts."""
        ...

    def is_safe(self) -> bool:
        """Whether the instrument is in its safe state."""
        ...

    def turn_to(self, value: float) -> None:
        """Set it by hand, behind the driver's back."""
        ...

    def misbehave(self, fault: Fault) -> None:
        """Let a fault strike the next answer to what it is set to."""
        ...

    def hang_up(self) -> None:
        """Close every connection as a peer that dies does; new ones are taken."""
        ...


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
