"""Asking in SCPI: declared queries only, one write, one whole line back.

Every answer is checked to be the only one: bytes that wait before a question is asked,
or follow its answer, mean that question and answer no longer belong together.
"""

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Final

from benchlog.clock import (
    Clock,
    Deadline,
    HostClock,
    host_deadline,
    host_moment,
    host_sleep,
)
from benchlog.driver import GRACE_S
from benchlog.driver_kit.link import Link
from benchlog.driver_kit.numbers import parse_number
from benchlog.driver_kit.reply_patterns import MOST_REPLY
from benchlog.errors import (
    GarbledError,
    OutOfStepError,
    RefusedError,
    SilentError,
)
from benchlog.model import Dialect, Identity
from benchlog.units import NS_PER_S, two_digits

MAX_ERRORS: Final = 20
"""An error queue is asked no oftener than this; instruments hold 10 to 20 entries."""
_ERROR_ENTRY: Final = re.compile(r"\s*(?P<code>[-+]?\d{1,6})\s*(?:,.*)?", re.ASCII)
_MAX_STALE: Final = 20
_LONG_PAUSE_S: Final = 0.5
"""No instrument rests for longer in the middle of an answer, in real seconds."""
STALE_S: Final = 10.0  # our rule: no busy computer holds a process up so long
"""Real seconds beyond its time after which an answer has waited for us, not we for it:
it came while this process was stopped or the computer asleep, and nobody knows when."""
_LOOK_S: Final = 0.02  # our rule: from one look for late bytes to the next
_KEPT, _BROKEN = 0.8, 0.5
"""Parts of a gate: what took more has kept it, what took less has not."""
_HABIT: Final = 2
"""Gates kept in a row that make a habit."""
_TOLD_FROM_S: Final = 0.02  # our rule: above the 16 ms timer of USB serial adapters
"""Real seconds of the shortest gate that is told from what the way takes, which varies:
an answer at once over a slow way would look like one that waited for its gate."""


@dataclass(frozen=True, slots=True)
class Reply:
    """One answer and when its last byte had arrived."""

    line: bytes
    mono_ns: int
    utc_ns: int
    command: str

    @property
    def text(self) -> str:
        """The answer without its terminator; foreign bytes become visible escapes."""
        return self.line.decode("ascii", "backslashreplace").strip(" \t\r\n")


@dataclass(frozen=True, slots=True, kw_only=True)
class BlockReply:
    """One answer with many readings: when it was asked for, and when it had come."""

    data: bytes
    asked_ns: int
    mono_ns: int
    utc_ns: int
    command: str


@dataclass(slots=True, kw_only=True)
class Talk:
    """A conversation over one link in one dialect.

    `words` are the settings that commands may name in braces; `extra_s` is bench time
    that every answer may take.
    """

    link: Link
    dialect: Dialect
    clock: Clock
    words: Mapping[str, str]
    extra_s: float = 0.0
    lost_step: bool = False
    """Whether an answer did not come, or not whole: what comes now may be its rest."""
    _gates_kept: int = 0

    def knows(self, role: str) -> bool:
        """Whether the dialect declares a command for this role."""
        return bool(self.dialect.commands.get(role))

    def command(self, role: str) -> str:
        """Return the command of a role with the settings filled in."""
        template = self.dialect.commands[role]
        try:
            return template.format_map(self.words)
        except (KeyError, IndexError, ValueError, AttributeError) as error:
            raise RefusedError(
                f"dialect {self.dialect.name!r}: {role} = {template!r} names a setting "
                f"that this driver has not ({error}); it has {', '.join(self.words)}",
                address=self.link.address,
            ) from error

    def tell(self, *roles: str) -> None:
        """Send the commands of those roles that the dialect declares."""
        commands = [self.command(role) for role in roles if self.knows(role)]
        if commands:
            self.link.send(*(command.encode("latin-1") for command in commands))

    def ask(self, *roles: str, limit_s: float = 0.0) -> Reply:
        """Send commands of which the last is a query, in one write; return its answer.

        `limit_s` is bench time that it takes when all is well (the gate). Raises
        SilentError, LostError, GarbledError, or OutOfStepError when there are more
        bytes than one answer. After any of them but LostError nothing is asked on this
        connection any more: that is an OutOfStepError, too.
        """
        commands = [self.command(role) for role in roles]
        if self.lost_step:
            raise self._out_of_step("", commands[-1], b"")
        try:
            return self._asked(commands, limit_s)
        except (SilentError, GarbledError, OutOfStepError):
            self.lost_step = True
            raise

    def ask_block(
        self,
        role: str,
        read: Callable[[Deadline, str], bytes],
        *,
        limit_s: float = 0.0,
    ) -> BlockReply:
        """Send the query of a role; return what `read` makes of its answer.

        `read` is given the deadline and the command. Raises what it raises, and what
        `ask` does, with the same effect.
        """
        command = self.command(role)
        if self.lost_step:
            raise self._out_of_step("", command, b"")
        try:
            if early := self.link.waiting():
                raise self._out_of_step("before it was asked anything", command, early)
            asked_ns = self.clock.mono_ns()
            self.link.send(command.encode("latin-1"))
            deadline = self.clock.deadline(limit_s + self.extra_s, GRACE_S)
            data = read(deadline, command)
            mono_ns, utc_ns = self.clock.mono_ns(), self.clock.utc_ns()
            if rest := self.link.rest():
                raise self._out_of_step("after its answer", command, rest)
            return BlockReply(
                data=data,
                asked_ns=asked_ns,
                mono_ns=mono_ns,
                utc_ns=utc_ns,
                command=command,
            )
        except (SilentError, GarbledError, OutOfStepError):
            self.lost_step = True
            raise

    def hush(self) -> tuple[str, ...]:
        """Wait until nothing comes any more; return what came.

        For what cannot be asked who it is, after an answer that did not come whole. Its
        rest would be taken for the next answer.
        """
        came, quiet = [self.link.waiting()], host_deadline(_LONG_PAUSE_S)
        while not quiet.passed:
            host_sleep(_LOOK_S)
            if more := self.link.waiting():
                came.append(more)
                quiet = host_deadline(_LONG_PAUSE_S)
            if sum(map(len, came)) > MOST_REPLY:
                raise self._out_of_step("without being asked", "", b"".join(came))
        return tuple(_late(piece) for piece in came if piece)

    def _asked(self, commands: list[str], limit_s: float) -> Reply:
        early = self.link.waiting()
        if early:
            raise self._out_of_step("before it was asked anything", commands[-1], early)
        asked_ns, asked_boot_ns = HostClock().mono_ns(), host_moment().boot_ns
        self.link.send(*(command.encode("latin-1") for command in commands))
        reply = self._next(commands[-1], limit_s)
        took_s = (HostClock().mono_ns() - asked_ns) / NS_PER_S
        away_s = (host_moment().boot_ns - asked_boot_ns) / NS_PER_S
        if away_s > self.clock.real_s(limit_s + self.extra_s) + GRACE_S + STALE_S:
            raise self._stale(reply, away_s)
        rest = self.link.rest()
        if rest:
            raise self._out_of_step("after its answer", commands[-1], reply.line + rest)
        if self._is_too_soon(took_s, self.clock.real_s(limit_s)):
            raise self._out_of_step(
                "before its gate was over", commands[-1], reply.line
            )
        if self.link.pause_s > _LONG_PAUSE_S:
            raise self._in_pieces(reply)
        return reply

    def greet(self, patience_s: float | None = None) -> tuple[str, tuple[str, ...]]:
        """Ask who is there; return the identification and the late answers skipped.

        An instrument answers in order, so whatever comes before the identification
        belongs to questions that nobody waits for any more. `patience_s`: for so long
        in bench time, and as for any answer, a measurement under way is left alone,
        since it may be somebody else's; None: it is given up at once.
        """
        stale = [self.link.waiting()]
        command = self.command("identify")
        if patience_s is None:
            self.tell("abort")
        self.link.send(command.encode("latin-1"))
        for nth in range(_MAX_STALE):
            try:
                reply = self._next(command, patience_s or 0.0)
            except SilentError:
                if patience_s is None or nth:
                    raise
                reply = self._interrupted(command)
            if is_identification(reply.text):
                return reply.text, tuple(_late(line) for line in stale if line)
            stale.append(reply.line)
        raise self._out_of_step("without identifying itself", command, stale[-1])

    def who(self) -> str:
        """Ask who is there, between two answers; return the identification.

        Raises what `ask` does, and OutOfStepError for what identifies nobody.
        """
        reply = self.ask("identify")
        if not is_identification(reply.text):
            self.lost_step = True
            raise self._out_of_step(
                "in the place of its identification", reply.command, reply.line
            )
        return reply.text

    def _interrupted(self, command: str) -> Reply:
        """Have a silent instrument give up what it does, and answer."""
        forgot = self.link.clear()
        self.tell("stream_end", "abort")
        if forgot:
            self.link.send(command.encode("latin-1"))
        return self._next(command, 0.0)

    def drain_errors(self) -> tuple[str, ...]:
        """Empty the error queue, at most `MAX_ERRORS` entries; return what it held.

        Raises OutOfStepError when an answer is no entry of an error queue.
        """
        found: list[str] = []
        while self.knows("error") and len(found) < MAX_ERRORS:
            reply = self.ask("error")
            entry = _ERROR_ENTRY.fullmatch(reply.text)
            if entry is None:
                raise self._out_of_step("no error", reply.command, reply.line)
            if int(entry["code"]) == 0:
                break
            found.append(reply.text)
        return tuple(found)

    def _next(self, command: str, limit_s: float) -> Reply:
        deadline = self.clock.deadline(limit_s + self.extra_s, GRACE_S)
        line = self.link.read_line(deadline, command)
        if len(line) > MOST_REPLY:
            raise self._endless(command, line)
        return Reply(line, self.clock.mono_ns(), self.clock.utc_ns(), command)

    def _is_too_soon(self, took_s: float, gate_s: float) -> bool:
        """Whether an answer came so early that it must belong to an earlier question.

        Judged only of an instrument that took the whole gate for the answers before:
        others measure all the time and answer with what they have. Of a short gate
        nothing is told; a reading before it has nearly the same time.
        """
        if gate_s < _TOLD_FROM_S:
            return False
        too_soon = self._gates_kept >= _HABIT and took_s < _BROKEN * gate_s
        self._gates_kept = self._gates_kept + 1 if took_s > _KEPT * gate_s else 0
        return too_soon

    def _endless(self, command: str, line: bytes) -> GarbledError:
        return GarbledError(
            f"{self.link.address} answered {command!r} with {len(line):,} bytes, more "
            f"than the {MOST_REPLY} of any reply: {line[:60]!r}...; check the line's "
            "settings and the dialect's terminator",
            address=self.link.address,
            command=command,
            raw=line,
        )

    def _in_pieces(self, reply: Reply) -> GarbledError:
        return GarbledError(
            f"{self.link.address} rested for {two_digits(self.link.pause_s)} s in "
            f"the middle of {reply.line[:60]!r}, which may be half of one answer "
            "and another; check the line",
            address=self.link.address,
            command=reply.command,
            raw=reply.line,
        )

    def _stale(self, reply: Reply, away_s: float) -> OutOfStepError:
        return OutOfStepError(
            f"the answer {reply.line[:60]!r} of {self.link.address} was there after "
            f"{away_s:.0f} s, in which this process was stopped or the computer slept: "
            "nobody knows when it was measured. The line is opened anew",
            address=self.link.address,
            command=reply.command,
            raw=reply.line,
        )

    def _out_of_step(self, when: str, command: str, raw: bytes) -> OutOfStepError:
        did = (
            f"sent {raw[:60]!r} {when} ({command!r}); an answer to another question"
            if when
            else f"owes an answer still, so {command!r} cannot be asked"
        )
        return OutOfStepError(
            f"{self.link.address} {did}. The line is opened anew; if it happens again, "
            "raise extra_s or see whether somebody else talks to it",
            address=self.link.address,
            command=command,
            raw=raw,
        )


def is_identification(text: str) -> bool:
    """Whether a reply can answer `*IDN?`: it is neither number nor error entry."""
    numbers = all(parse_number(part.strip()) for part in text.split(","))
    is_error = re.match(r'[-+]?\d+\s*,\s*"', text) is not None
    return any(ch.isalpha() for ch in text) and not numbers and not is_error


def identity_of(text: str, settings: Mapping[str, str]) -> Identity:
    """Split an identification at its first three commas (IEEE 488.2, 10.14)."""
    fields = [part.strip() for part in text.split(",", 3)]
    maker, model, serial, firmware = fields + [""] * (4 - len(fields))
    simulated = maker.upper() == "SIMULATED"
    return Identity(text, maker, model, serial, firmware, simulated, settings)


def _late(line: bytes) -> str:
    return f"skipped a late answer: {line[:80]!r}"
