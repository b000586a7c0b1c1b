"""`scpi-counter`: a frequency counter that is asked, at any VISA address."""

import contextlib
from typing import TYPE_CHECKING

from benchlog.driver import Option
from benchlog.driver_blocks import StreamingDriver
from benchlog.driver_kit.connect import LINK_OPTIONS
from benchlog.driver_kit.numbers import parse_number
from benchlog.driver_kit.scpi import Talk
from benchlog.driver_kit.scpi_driver import EXTRA, ScpiDriver
from benchlog.driver_kit.settings import INPUT_OPTIONS, number_of, same_setting
from benchlog.errors import (
    InstrumentError,
    NoSignalError,
    OverloadError,
    RefusedError,
)
from benchlog.masking import masked
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

    def _require_settings(self, talk: Talk, held_s: float) -> None:
        """See `ScpiDriver._require_settings`: the gate, which jitter is told of.

        A key at its front or another program may change it while the connection holds.
        """
        if self._gate_got_s is None or not talk.knows("gate_get"):
            return
        reply, was = talk.ask("gate_get"), self.identify().settings["gate_s"]
        if not same_setting(was, reply.text):
            raise RefusedError(
                f"the gate at {masked(self.address)} is {reply.text[:60]!r} by now, "
                f"and {was!r} was set: is it changed at its front, or by another "
                f"program? It is set anew. What came in the {held_s:.0f} s before, "
                "since it was asked last, may be of either gate",
                address=self.address,
                command=reply.command,
                raw=reply.line,
            )

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
