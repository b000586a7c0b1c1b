"""Firmware that sets a trim code, as `line-trim` speaks to it: a reference for yours.

A chip's frequency follows its register: `register_ppm[code]` is what the code adds to
the device's offset.
"""

import random
import re
from collections.abc import Callable, Sequence
from typing import Final

from benchlog.simulate.transports.byte_stream import Stream

IDENTITY: Final = "SIMULATED,Trim Firmware,SIM-0004,1.0"
_SET: Final = re.compile(rb"trim (\d{1,8})")
_LONGEST: Final = 256  # our rule: bounds what comes from outside


class TrimFirmware:
    """Answers the trim lines and moves the device."""

    def __init__(
        self, register_ppm: Sequence[float], code: int, step: Callable[[float], None]
    ) -> None:
        self.register_ppm = tuple(register_ppm)
        self.code = self.burned = code
        self.fed = True
        """Without a supply it answers nothing."""
        self.asked: list[int] = []
        self.heard: set[bytes] = set()
        self._step = step

    def exchange(self, register_ppm: Sequence[float], code: int) -> None:
        """Put another chip in, whose device stands where `code` of its own leaves it.

        The device is not moved: it was put in as that code has it.
        """
        self.register_ppm = tuple(register_ppm)
        self.code = self.burned = code

    def burn(self, code: int) -> None:
        """Let a programmer make a code permanent; no line of this firmware can."""
        self._go(code)
        self.burned = code

    def power_cycle(self) -> None:
        """Take the supply away and give it back: what was burned is set."""
        self._go(self.burned)

    def _go(self, code: int) -> None:
        self._step(self.register_ppm[code] - self.register_ppm[self.code])
        self.code = code

    def serve(self, stream: Stream) -> None:
        """Serve one connection until it is gone."""
        buffer = b""
        while chunk := stream.receive():
            *lines, buffer = (buffer + chunk).split(b"\n")
            buffer = buffer[-_LONGEST:]
            for line in lines if self.fed else ():
                stream.send(self.answer(line.strip()).encode() + b"\n")

    def answer(self, line: bytes) -> str:
        """Return what the firmware says to one line."""
        self.heard.add(line[:4])
        if line == b"id?":
            return f"id {IDENTITY}"
        if line == b"trim?":
            return f"trim {self.code}"
        found = _SET.fullmatch(line)
        if found is None:
            return "error what?"
        code = int(found[1])
        self.asked.append(code)
        if code >= len(self.register_ppm):
            return "error out of range"
        self._go(code)
        return f"trim {code}"


def two_ranges(
    seed: str, step_ppm: float = 3_500.0, size: int = 128, around: int = 60
) -> tuple[float, ...]:
    """Return a register with two overlapping ranges of uneven steps, in ppm.

    `around` is the code of the lower range that lies near zero.
    """
    rng = random.Random(seed)  # noqa: S311 - physics, no secret
    steps = [step_ppm * max(0.1, rng.gauss(1.0, 0.3)) for _ in range(2 * size)]
    low = [sum(steps[: code + 1]) for code in range(size)]
    high = [1.2 * sum(steps[size : size + code + 1]) for code in range(size)]
    overlap = rng.uniform(0.6, 0.9) * low[size // 2]
    zero = low[around] + rng.uniform(-0.5, 0.5) * step_ppm
    return tuple([f - zero for f in low] + [f + overlap - zero for f in high])
