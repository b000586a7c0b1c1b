"""The SCPI side of a simulated counter's stream: its forms, blocks, and what was lost.

`INITiate:CONTinuous`, `FETCh:ARRay?`, `FORMat[:DATA]`, `FORMat:BORDer` and
`FORMat:TINFormation` (a time with each reading) are of SCPI-1999, volume 2; the block
is one of IEEE 488.2, 8.7.9. `FETCh:LOST?` is of our own.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from benchlog.simulate.instruments.scpi_device import Call, Command
from benchlog.simulate.instruments.scpi_syntax import (
    ScpiError,
    boolean,
    numeric,
    word,
)
from benchlog.simulate.physics.streaming import Fetched, GaplessStream
from benchlog.simulate.served_log import ServedValue

_MOST: Final = 1e6  # our rule: bounds one answer


@dataclass(frozen=True, slots=True)
class BlockFormat:
    """How readings are handed over: as text or octets, which end first, with stamps."""

    real: bool = False
    swapped: bool = False
    stamped: bool = False


class StreamCommands:
    """The commands of a stream; `begin` makes one of the counter's present settings."""

    def __init__(self, name: str, begin: Callable[[], GaplessStream]) -> None:
        self._name, self._begin = name, begin
        self._format = BlockFormat()
        self._stream: GaplessStream | None = None
        self._lost = 0

    def commands(self) -> tuple[Command, ...]:
        """Return them for the interpreter's table."""
        return (
            Command("INITiate:CONTinuous", self._continuous, 1, 1),
            Command("INITiate:CONTinuous?", lambda _: str(int(self.runs))),
            Command("FETCh:ARRay?", self._fetch, most=1),
            Command("FETCh:LOST?", self._lost_by_now),
            Command("FORMat[:DATA]", self._set_format, 1, 2),
            Command("FORMat:BORDer", self._set_order, 1, 1),
            Command("FORMat:TINFormation", self._set_stamped, 1, 1),
        )

    @property
    def runs(self) -> bool:
        """Whether it measures by itself."""
        return self._stream is not None

    def reset(self) -> None:
        """Go to the settings after *RST."""
        self._format = BlockFormat()
        self.end()

    def end(self) -> None:
        """Measure no longer by itself; what waits is dropped."""
        self._stream = None

    def _continuous(self, call: Call) -> None:
        self.end()
        if boolean(call.params[0]):
            self._stream = self._begin()

    def _fetch(self, call: Call) -> str:
        if self._stream is None:
            raise ScpiError(-230)
        most = call.optional(0)
        count = round(numeric(most or "1E4", "", (1.0, _MOST, 1e4)))
        got = self._stream.fetch(count)
        if len(got.hz):
            served = ServedValue(
                instrument=self._name,
                mono_ns=got.end_ns,
                text=f"{len(got.hz)} readings",
                true_hz=got.true_hz,
            )
            call.served.append(served)
        return self._text(got)

    def _lost_by_now(self, _call: Call) -> str:
        if self._stream is None:
            return "0"
        _ = self._stream.waiting  # what no longer fits is counted as it is looked at
        return str(self._stream.lost)

    def _text(self, got: Fetched) -> str:
        fields = [np.where(np.isnan(got.hz), 9.91e37, got.hz)]
        if self._format.stamped:
            fields.append(got.stamps_s)
        table = np.column_stack(fields)
        if not self._format.real:
            return ",".join(repr(one) for one in table.ravel().tolist())
        data = table.astype("<f8" if self._format.swapped else ">f8").tobytes()
        length = str(len(data))
        return f"#{len(length)}{length}{data.decode('latin-1')}"

    def _set_format(self, call: Call) -> None:
        kind = word(call.params[0], ("ASCii", "REAL"))
        if kind == "REAL" and call.optional(1) not in (None, "64"):
            raise ScpiError(-224, "64")
        self._format = replace(self._format, real=kind == "REAL")

    def _set_order(self, call: Call) -> None:
        order = word(call.params[0], ("NORMal", "SWAPped"))
        self._format = replace(self._format, swapped=order == "SWAP")

    def _set_stamped(self, call: Call) -> None:
        self._format = replace(self._format, stamped=boolean(call.params[0]))
