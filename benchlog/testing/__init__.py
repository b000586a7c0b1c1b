"""What a driver's author needs to test it: the contract as a suite, and real peers.

A test of a driver of yours takes a page::

    from benchlog.testing import DriverContract, Script, TcpPeer
    from my_package import MyCounter

    class TestMyCounter(DriverContract):
        driver = MyCounter
        options = {"gate_s": 0.02}
        value = 15_999_852.0

        def peer(self):
            answers = {"*IDN?": "MAKER,MODEL,7,1.0"}
            return TcpPeer(Script(answers, value=("READ?", "+1.5999852E+07")))

pytest then runs every rule of `benchlog.driver` against it, over a real socket or
pseudo-terminal, with every fault in `ASKED_FAULTS` and every reply in `MALFORMED`.
`BlockContract` has the rules of a counter that streams besides, `SetterContract` is the
same for what sets something.

Nothing here is imported when benchlog measures.
"""

from benchlog.testing.block_contract import BlockContract
from benchlog.testing.block_scripts import (
    BLOCK_FAULTS,
    LINE_FAULTS,
    StreamScript,
    block_line,
    definite_block,
)
from benchlog.testing.clocks import HurriedClock
from benchlog.testing.contract import DriverContract
from benchlog.testing.faults import (
    ASKED_FAULTS,
    LATE_LINE,
    MALFORMED,
    TALKING_FAULTS,
    UNCODED_FAULTS,
    Fault,
)
from benchlog.testing.peers import Peer, PtyPeer, TcpPeer
from benchlog.testing.scripts import Script, Talker
from benchlog.testing.setter_contract import SetterContract
from benchlog.testing.setter_peers import LinePeer, SetterPeer
from benchlog.testing.setter_scripts import (
    NO_VALUES,
    SETTER_FAULTS,
    SetState,
    SettingScript,
    SettingWords,
)

__all__ = [
    "ASKED_FAULTS",
    "BLOCK_FAULTS",
    "LATE_LINE",
    "LINE_FAULTS",
    "MALFORMED",
    "NO_VALUES",
    "SETTER_FAULTS",
    "TALKING_FAULTS",
    "UNCODED_FAULTS",
    "BlockContract",
    "DriverContract",
    "Fault",
    "HurriedClock",
    "LinePeer",
    "Peer",
    "PtyPeer",
    "Script",
    "SetState",
    "SetterContract",
    "SetterPeer",
    "SettingScript",
    "SettingWords",
    "StreamScript",
    "Talker",
    "TcpPeer",
    "block_line",
    "definite_block",
]
