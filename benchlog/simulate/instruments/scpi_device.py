"""What every SCPI instrument shares: dispatch, error queue, status, common commands.

IEEE 488.2 common commands and the parts of SCPI-1999 that a standard instrument must
have. An instrument adds its own commands by `commands()`.
"""

from collections import deque
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import Final

from benchlog.simulate.bench_wait import Patience
from benchlog.simulate.instruments.scpi_syntax import (
    ScpiError,
    Unit,
    header_pattern,
    numeric,
    parse_unit,
    split_outside,
)
from benchlog.simulate.served_log import ServedValue

# source: see below
ERRORS: Final = {
    0: "No error",
    -101: "Invalid character",
    -104: "Data type error",
    -108: "Parameter not allowed",
    -109: "Missing parameter",
    -110: "Command header error",
    -111: "Header separator error",
    -112: "Program mnemonic too long",
    -113: "Undefined header",
    -114: "Header suffix out of range",
    -121: "Invalid character in number",
    -123: "Exponent too large",
    -124: "Too many digits",
    -131: "Invalid suffix",
    -138: "Suffix not allowed",
    -151: "Invalid string data",
    -171: "Invalid expression",
    -213: "Init ignored",
    -221: "Settings conflict",
    -222: "Data out of range",
    -223: "Too much data",
    -224: "Illegal parameter value",
    -230: "Data corrupt or stale",
    -350: "Queue overflow",
    -410: "Query INTERRUPTED",
    -420: "Query UNTERMINATED",
}
"""SCPI-1999 volume 2, chapter 21.8."""
_QUEUE: Final = 20  # our rule: the standard leaves it open
_MOST_UNITS: Final = 1_000  # our rule: bounds what comes from outside
# _OPC, _PON, _ESR_BITS: source: IEEE 488.2, 11.5.1, from memory.
_OPC: Final = 1
_PON: Final = 128
_ESR_BITS: Final = {1: 32, 2: 16, 3: 8, 4: 4}  # class of error -> CME EXE DDE QYE


@dataclass(slots=True)
class Call:
    """One command as it is carried out."""

    params: tuple[str, ...]
    patience: Patience
    served: list[ServedValue] = field(default_factory=list)
    suffixes: tuple[int, ...] = ()

    def optional(self, index: int) -> str | None:
        """Return a parameter or None."""
        return self.params[index] if index < len(self.params) else None


Handler = Callable[[Call], str | None]


@dataclass(frozen=True, slots=True)
class Command:
    """A header as the standard prints it (`?` for queries) and what it does.

    `least` and `most` bound the number of parameters.
    """

    header: str
    do: Handler
    least: int = 0
    most: int = 0


@dataclass(frozen=True, slots=True)
class MessageOutcome:
    """What a program message led to: a response message (None: nothing to say)."""

    text: str | None
    served: tuple[ServedValue, ...] = ()


class ScpiDevice:
    """The status machinery and dispatch; not thread-safe, its station locks."""

    def __init__(self, identity: str) -> None:
        self.identity = identity
        self._errors: deque[tuple[int, str]] = deque()
        self._esr = _PON
        self._ese = self._sre = 0
        self._table = [
            (header_pattern(c.header.rstrip("?")), c.header.endswith("?"), c)
            for c in (*self.commands(), *self._common())
        ]
        self._found: dict[tuple[str, bool], tuple[Command, tuple[int, ...]] | None] = {}

    def commands(self) -> tuple[Command, ...]:
        """Return the instrument's own commands."""
        return ()

    def reset(self) -> None:
        """Go to the settings after *RST."""

    def settle(self, patience: Patience) -> None:
        """Wait for what is still running (*OPC?, *WAI)."""

    def run(self, message: bytes, patience: Patience) -> MessageOutcome:
        """Carry out one program message; raises only AbandonedError."""
        answers: list[str] = []
        served: list[ServedValue] = []
        path = ""
        text = message.decode("latin-1").strip()
        for count, part in enumerate(split_outside(text, ";")):
            if count >= _MOST_UNITS:
                self.error(ScpiError(-223))
                break
            if not part.strip():
                continue
            try:
                unit = parse_unit(part.strip())
                header = self._header(unit, path)
                path = path if unit.common else header.rpartition(":")[0]
                answer = self._do(header, unit, Call(unit.params, patience, served))
            except ScpiError as error:
                self.error(error)
                if error.code > -200:
                    break  # after a command error the rest cannot be trusted
                continue
            if answer is not None:
                answers.append(answer)
        return MessageOutcome(";".join(answers) if answers else None, tuple(served))

    def error(self, error: ScpiError) -> None:
        """Put an error into the queue; when it is full the last one is -350."""
        self._esr |= _ESR_BITS.get(abs(error.code) // 100, 8)
        entry = (error.code, error.info)
        if len(self._errors) >= _QUEUE:
            self._errors[-1] = (-350, "")
        else:
            self._errors.append(entry)

    def _do(self, header: str, unit: Unit, call: Call) -> str | None:
        command, call.suffixes = self._lookup(header, unit.query)
        if len(unit.params) < command.least:
            raise ScpiError(-109)
        if len(unit.params) > command.most:
            raise ScpiError(-108)
        return command.do(call)

    @staticmethod
    def _header(unit: Unit, path: str) -> str:
        if unit.common:
            return "*" + unit.path
        return unit.path if unit.rooted or not path else f"{path}:{unit.path}"

    def _lookup(self, header: str, query: bool) -> tuple[Command, tuple[int, ...]]:
        key = (header, query)
        if key not in self._found:
            if len(self._found) > 500:  # hostile headers must not fill the memory
                self._found.clear()
            self._found[key] = next(self._matches(header, query), None)
        found = self._found[key]
        if found is None:
            raise ScpiError(-113, header[:40])
        return found

    def _matches(
        self, header: str, query: bool
    ) -> Iterator[tuple[Command, tuple[int, ...]]]:
        for pattern, is_query, command in self._table:
            match = pattern.fullmatch(header)
            if match and is_query == query:
                yield command, tuple(int(group or "1") for group in match.groups())

    def _common(self) -> tuple[Command, ...]:
        return (
            Command("*IDN?", lambda _: self.identity),
            Command("*RST", self._rst),
            Command("*CLS", self._cls),
            Command("*TST?", lambda _: "0"),
            Command("*OPC", self._opc),
            Command("*OPC?", self._opc_query),
            Command("*WAI", self._wai),
            Command("*ESR?", self._esr_query),
            Command("*ESE", self._set_ese, 1, 1),
            Command("*ESE?", lambda _: str(self._ese)),
            Command("*SRE", self._set_sre, 1, 1),
            Command("*SRE?", lambda _: str(self._sre)),
            Command("*STB?", lambda _: str(self.status_byte())),
            Command("SYSTem:ERRor[:NEXT]?", self._next_error),
            Command("SYSTem:ERRor:COUNt?", lambda _: str(len(self._errors))),
            Command("SYSTem:VERSion?", lambda _: "1999.0"),
        )

    def status_byte(self) -> int:
        """Return the status byte: error queue (4), ESB (32), MSS (64)."""
        summary = 4 if self._errors else 0
        summary |= 32 if self._esr & self._ese else 0
        return summary | (64 if summary & self._sre else 0)

    def _rst(self, _call: Call) -> None:
        self.reset()

    def _cls(self, _call: Call) -> None:
        self._errors.clear()
        self._esr = 0

    def _opc(self, call: Call) -> None:
        self.settle(call.patience)
        self._esr |= _OPC

    def _opc_query(self, call: Call) -> str:
        self.settle(call.patience)
        return "1"

    def _wai(self, call: Call) -> None:
        self.settle(call.patience)

    def _esr_query(self, _call: Call) -> str:
        esr, self._esr = self._esr, 0
        return str(esr)

    def _set_ese(self, call: Call) -> None:
        self._ese = round(numeric(call.params[0], "", (0.0, 255.0, 0.0)))

    def _set_sre(self, call: Call) -> None:
        self._sre = round(numeric(call.params[0], "", (0.0, 255.0, 0.0))) & ~64

    def _next_error(self, _call: Call) -> str:
        code, info = self._errors.popleft() if self._errors else (0, "")
        text = ERRORS.get(code, "Device-specific error")
        if info:
            text += ";" + info.replace('"', "'")
        return f'{code},"{text}"'
