"""A counter that streams, asked in SCPI for what waits: block after block."""

from collections.abc import Callable
from dataclasses import replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from benchlog.clock import Deadline, host_deadline, host_sleep
from benchlog.driver import GRACE_S
from benchlog.driver_kit.scpi import BlockReply, Talk
from benchlog.driver_kit.streams.block_answers import (
    OCTETS,
    Real,
    checked_stamps,
    columns_of_line,
    columns_of_octets,
    no_block,
    octets_of_block,
    without_codes,
)
from benchlog.driver_kit.streams.stream_time import (
    StreamTime,
    TimesAheadError,
    TimesBackError,
)
from benchlog.driver_values import LONGEST_RAW
from benchlog.errors import (
    GarbledError,
    InstrumentError,
    NoSignalError,
    OverloadError,
    SilentError,
)
from benchlog.model import BlockForm, SampleBlock
from benchlog.model.blocks import REAL, STAMP, VALUE
from benchlog.units import three_digits

REST_S: Final = 0.05
"""Real seconds from one question to the next; our rule: blocks long enough to be cheap,
short enough to be seen at once."""
_LONGEST_COUNT: Final = 15  # our rule: digits of more readings than ever come


class ScpiStream:
    """One stream: begun by the first `next`, ended by `end`.

    `gate_s` is what the counter made of its gate, in its own seconds.
    """

    def __init__(self, talk: Talk, form: BlockForm, gate_s: float) -> None:
        self._talk, self._form, self._gate_s = talk, form, gate_s
        self._time: StreamTime | None = None
        self._lost = 0
        self._restarted = False
        self._trouble: InstrumentError | None = None
        self._due: Deadline = host_deadline(0)

    def next(self) -> SampleBlock:
        """Return the next block, at least one reading. Raises InstrumentError.

        What goes wrong behind a block is told by the next call: the block comes first.
        """
        if self._trouble is not None:
            trouble, self._trouble = self._trouble, None
            raise trouble
        clock = self._talk.clock
        patience_s = self._gate_s + self._talk.extra_s
        limit = clock.deadline(patience_s + self._rest_s, GRACE_S)
        while True:
            host_sleep(self._due.left_s())
            self._due = host_deadline(clock.real_s(self._rest_s))
            stream = self._begun()
            reply = self._asked()
            block = self._block(reply, stream)
            if block is not None:
                return self._after_loss(block)
            if limit.passed:
                raise SilentError(
                    f"{self._talk.link.address} had no reading in time although it "
                    "streams; check the signal and the trigger level",
                    address=self._talk.link.address,
                    command=reply.command,
                    raw=reply.data,
                )

    def end(self) -> None:
        """Let the counter measure no longer. Raises InstrumentError."""
        if self._time is not None:
            self._time = None
            self._talk.tell("stream_end")

    @property
    def _rest_s(self) -> float:
        """Bench seconds from one question to the next."""
        real_s = max(self._talk.clock.real_s(1.0), 1e-9)
        return max(REST_S / real_s, self._gate_s)

    def _begun(self) -> StreamTime:
        if self._time is None:
            talk, gate_s = self._talk, self._gate_s
            # It begins once it has been told, never before; the blocks tell how late.
            began = None if self._form.stamped else talk.clock.mono_ns()
            talk.tell("stream")
            self._lost = 0
            self._time = StreamTime(talk.clock, gate_s, began)
            if self._talk.knows("lost"):
                self._lost = self._lost_by_now()
        return self._time

    def _asked(self) -> BlockReply:
        form, dialect = self._form, self._talk.dialect
        if form.data == REAL:
            most = OCTETS * len(form.fields) * form.most

            def read(deadline: Deadline, command: str) -> bytes:
                link = self._talk.link
                return octets_of_block(link, deadline, most, command, dialect)
        else:
            read = self._talk.link.read_line
        return self._talk.ask_block("block", read, limit_s=self._gate_s)

    def _block(self, reply: BlockReply, stream: StreamTime) -> SampleBlock | None:
        """Return the block that an answer holds; None where it holds no reading."""
        talk, form = self._talk, self._form
        link, command = talk.link, reply.command
        texts: tuple[str, ...] = ()
        step: float | None = None
        if form.data == REAL:
            columns = columns_of_octets(reply.data, form, link, command)
        else:
            columns, texts, step = columns_of_line(
                reply.data, form, link, command, talk.dialect
            )
        values = without_codes(columns[VALUE])
        if not len(values):
            return None
        times, breaks = self._placed(columns, reply, stream)
        self._refuse_nothing(values, reply)
        if len(values) >= form.most:
            self._due = host_deadline(0)
        if self._restarted and 0 not in breaks:
            breaks = (0, *breaks)
        self._restarted = False
        return SampleBlock(
            values=values,
            mono_ns=times,
            utc_ahead_ns=reply.utc_ns - reply.mono_ns,
            unit="Hz",
            gate_s=self._gate_s,
            breaks=breaks,
            texts=texts,
            raw=reply.data[:LONGEST_RAW],
            step=step,
        )

    def _placed(
        self, columns: dict[str, Real], reply: BlockReply, stream: StreamTime
    ) -> tuple[NDArray[np.int64], tuple[int, ...]]:
        form, count = self._form, len(columns[VALUE])
        if form.stamped:
            own_s = checked_stamps(columns[STAMP], form)
            if own_s is None:
                raise self._garbled(reply, "time stamps that do not increase")
        else:
            own_s = stream.counted(count)
        try:
            return stream.placed(
                own_s,
                asked_ns=reply.asked_ns,
                came_ns=reply.mono_ns,
                drained=count < form.most,
            )
        except TimesAheadError as error:
            said = f"readings of {three_digits(error.ahead_s)} s later than now"
            raise self._garbled(reply, said) from error
        except TimesBackError as error:
            said = f"time stamps {three_digits(error.back_s)} s before the block before"
            raise self._garbled(reply, said) from error

    def _after_loss(self, block: SampleBlock) -> SampleBlock:
        """Ask what was lost until now, and tell it with the block.

        A counter without time stamps does not tell where: before this block, or behind
        what it still holds. So this block does not follow on the one before, and the
        stream begins anew.
        """
        if not self._talk.knows("lost"):
            return block
        lost = self._lost
        try:
            self._lost = self._lost_by_now()
        except InstrumentError as error:
            self._trouble = error
        if self._lost <= lost:
            return block
        breaks = block.breaks
        if not self._form.stamped:
            self.end()
            self._restarted = True
            breaks = breaks if 0 in breaks else (0, *breaks)
        return replace(block, lost=self._lost - lost, breaks=breaks)

    def _lost_by_now(self) -> int:
        reply = self._talk.ask("lost")
        text = reply.text.removeprefix("+")
        whole = text.isascii() and text.isdigit() and len(text) <= _LONGEST_COUNT
        if not whole:
            raise no_count(self._talk, reply.line, reply.command)
        return int(text)

    def _refuse_nothing(self, values: Real, reply: BlockReply) -> None:
        """Raise where not one of the readings has a value: that is no signal."""
        if bool(np.isfinite(values).any()):
            return
        link, is_nan = self._talk.link, bool(np.isnan(values).any())
        kind: Callable[..., InstrumentError] = (
            NoSignalError if is_nan else OverloadError
        )
        what = "nothing to measure" if is_nan else "more than its range"
        raise kind(
            f"{link.address} has {what} in a block of {len(values):,} readings; check "
            "the signal and the trigger level",
            address=link.address,
            command=reply.command,
            raw=reply.data[:LONGEST_RAW],
        )

    def _garbled(self, reply: BlockReply, found: str) -> InstrumentError:
        return no_block(self._talk.link, reply.command, reply.data, found)


def no_count(talk: Talk, line: bytes, command: str) -> InstrumentError:
    """Return the error for an answer that is no number of readings."""
    return GarbledError(
        f"{talk.link.address} answered {command!r} with {line[:60]!r}, which is no "
        "number of readings; check the dialect",
        address=talk.link.address,
        command=command,
        raw=line,
    )
