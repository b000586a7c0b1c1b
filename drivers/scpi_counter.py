"""`scpi-counter`: a frequency counter that is asked, at any VISA address."""

import contextlib
from typing import TYPE_CHECKING

from benchlog.driver import Option
from benchlog.driver_blocks import StreamingDriver
from benchlog.driver_kit.connect import LINK_OPTIONS
from benchlog.driver_kit.numbers import parse_number
from benchlog.driver_kit.scpi import Talk
from benchlog.driver_kit.scpi_driver import EXTRA, ScpiDriver
from benchlog.driver_kit.settings import INPUT_OPTIONS, number_of
from benchlog.errors import (
    InstrumentError,
    NoSignalError,
    OverloadError,
    RefusedError,
)
from benchlog.model import Dialect, SampleBlock

if TYPE_CHECKING:
    from benchlog.driver_kit.streams.scpi_stream import ScpiStream


class ScpiCounter(ScpiDriver, StreamingDriver):
    """A counter that answers `READ?`, or whatever its dialect declares instead.

    The gate is set and read back; what the counter made of it is the gate of every
    sample. Where the dialect declares blocks, it streams.
    """

    quantity = "frequency"
    unit = "Hz"
    options = (
        Option("dialect", Dialect, "scpi-1999", "the command strings of its family"),
        Option("gate_s", float, 1.0, "gate time in seconds", low=1e-6, high=1e4),
        EXTRA,
        *INPUT_OPTIONS,
        *LINK_OPTIONS,
    )

    _gate_got_s: float | None = None
    _stream: "ScpiStream | None" = None

    def _set_up(self, talk: Talk) -> None:
        self._gate_got_s = None
        super()._set_up(talk)
        assert self._identity is not None
        got = parse_number(self._identity.settings["gate_s"])
        self._gate_got_s = got.value if got else None
        if (form := self._dialect().block) is not None:
            from benchlog.driver_kit.streams.scpi_stream import ScpiStream  # noqa: PLC0415 - with numpy, only where it streams

            self._stream = ScpiStream(talk, form, self._gate_s())

    def _gate_s(self) -> float:
        got = self._gate_got_s
        return number_of(self.settings, "gate_s") if got is None else got

    @property
    def streams(self) -> bool:
        """See `StreamingDriver.streams`."""
        return self._dialect().block is not None

    def read_block(self) -> SampleBlock:
        """See `StreamingDriver.read_block`."""
        talk = self._opened()
        if self._stream is None:
            raise RefusedError(
                f"dialect {talk.dialect.name!r} declares no blocks; it needs [block]",
                address=self.address,
            )
        try:
            return self._stream.next()
        except (NoSignalError, OverloadError) as error:
            self._collect(talk, error)
            raise

    def end_stream(self) -> None:
        """See `StreamingDriver.end_stream`."""
        if self._stream is not None:
            self._stream.end()

    def close(self) -> None:
        """See `Driver.close`; the counter is let rest where it can still be told."""
        with contextlib.suppress(InstrumentError):
            self.end_stream()
        self._stream = None
        super().close()

    def _words(self) -> dict[str, str]:
        form = self._dialect().block
        return super()._words() | ({} if form is None else {"most": str(form.most)})
