"""What a peer that streams answers: blocks, and how such answers go wrong."""

import struct
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Final

from benchlog.errors import (
    GarbledError,
    LostError,
    NoSignalError,
    OutOfStepError,
    OverloadError,
    SilentError,
)
from benchlog.testing.faults import LATE_S, Fault, Steps
from benchlog.testing.scripts import Script


def definite_block(values: Sequence[float], *, order: str = "big") -> bytes:
    """Return doubles as a definite-length block of IEEE 488.2, without line end."""
    kind = ">" if order == "big" else "<"
    data = struct.pack(f"{kind}{len(values)}d", *values)
    length = str(len(data)).encode()
    return b"#%d%s%s" % (len(length), length, data)


def block_line(values: Iterable[float]) -> bytes:
    """Return values as one line of decimal numbers, without line end."""
    return ",".join(repr(float(value)) for value in values).encode()


class StreamScript(Script):
    """A `Script` that also answers a question with a block.

    Parameters
    ----------
    block : (str, callable)
        The question, and what gives the answer, without line end, from how many times
        it was asked before; faults strike this one.

    The others are those of `Script`.

    """

    def __init__(
        self,
        answers: Mapping[str, str],
        value: tuple[str, str | Callable[[], str]],
        block: tuple[str, Callable[[int], bytes]],
        settings: Iterable[str] = (),
    ) -> None:
        super().__init__(answers, value, settings)
        self._ask, self._block = block[0].casefold(), block[1]
        self._asked = 0

    def _steps(self, line: str) -> Steps:
        if line.strip().casefold() != self._ask:
            return super()._steps(line)
        self.heard.append(line)
        good = self._block(self._asked) + b"\n"
        self._asked += 1
        return self._value_steps(good)


def _answers(name: str, answer: bytes, *raises: type[Exception]) -> Fault:
    return Fault(name, lambda _: (answer,), raises or (GarbledError,))  # type: ignore[arg-type]


_EIGHT: Final = struct.pack(">d", 16e6)
LINE_FAULTS: Final = (
    Fault("silent", lambda _: (2 * LATE_S,), (SilentError,)),
    Fault("cut", lambda good: (good[: len(good) // 2], 2 * LATE_S), (SilentError,)),
    Fault("cut, closed", lambda good: (good[: len(good) // 2], None), (LostError,)),
    Fault("closed", lambda _: (None,), (LostError,)),
    Fault("twice", lambda good: (good + good,), (OutOfStepError,)),
    _answers("an error", b'-113,"Undefined header"\n'),
    _answers("text", b"MAKER,MODEL,7,1.0\n"),
    _answers("nan", b"nan,nan\n"),
    _answers("no value", b"+9.91000000E+37\n", GarbledError, NoSignalError),
    _answers("too much", b"+9.90000000E+37\n", GarbledError, OverloadError),
    _answers("garbage", b"\xff\x00\x9b31m\x80rubbish\n"),
    _answers("without end", b"1" * 70_000 + b"\n"),
)
"""What any answer that should be a block may be."""
BLOCK_FAULTS: Final = (
    *LINE_FAULTS,
    _answers("a number", b"+1.60000000E+07\n"),
    _answers("nothing", b"\n"),
    _answers("no digit", b"#A8" + _EIGHT + b"\n"),
    _answers("indefinite", b"#0" + _EIGHT + b"\n"),
    _answers("a length that is none", b"#3+08" + _EIGHT + b"\n"),
    _answers("2^62 octets", b"#94611686018427387904" + _EIGHT + b"\n"),
    _answers("a gigabyte", b"#9999999999" + _EIGHT + b"\n"),
    _answers("half a double", b"#14" + _EIGHT[:4] + b"\n"),
    _answers("too short a length", b"#18" + _EIGHT + _EIGHT + b"\n", OutOfStepError),
    Fault(
        "too long a length",
        lambda _: (b"#216" + _EIGHT + b"\n", LATE_S),
        (SilentError,),
    ),
)
"""What an answer that should be a definite-length block may be."""
