"""The control port: one order a line, to instruments, devices, room and supply."""

import json
import math
import socket
from collections.abc import Callable, Sequence
from dataclasses import asdict
from typing import Final, Protocol

from benchlog.errors import BenchlogError, NotFoundError, UsageError
from benchlog.simulate.instruments.faults import ALWAYS, NEEDS, Faults
from benchlog.simulate.served_log import ServedValue
from benchlog.simulate.transports.socket_server import Server

_LONGEST_LINE: Final = 4_096  # our rule: bounds what comes from outside


class ControlPort(Server):
    """Hands lines to whoever carries them out."""

    def __init__(self, command: Callable[[str], object]) -> None:
        super().__init__()
        self._command = command

    @property
    def address(self) -> str:
        """Host and port."""
        return f"127.0.0.1:{self.port}"

    def serve(self, client: socket.socket) -> None:
        """See Server."""
        with client.makefile("rb") as lines:
            while line := lines.readline(_LONGEST_LINE):
                text = line.decode("utf-8", "replace").strip()
                if text:
                    client.sendall(self._answer(text).encode() + b"\n")

    def _answer(self, text: str) -> str:
        try:
            said = self._command(text)
        except BenchlogError as error:
            return "error " + " ".join(str(error).split())
        return "ok" if said is None else f"ok {json.dumps(said)}"


# --- what a line of the control port means: orders to instruments, devices, the suppl

_OTHERS: Final = ("drop", "deaf", "unfixed", "ok", "status")
_MOST_TIMES: Final = 1_000_000  # our rule: bounds what comes from outside


class OrderedBench(Protocol):
    """What orders need of a simulated bench."""

    faults: dict[str, Faults]

    def addresses(self) -> dict[str, str]:
        """Return name -> address."""
        ...

    def drop(self, instrument: str) -> None:
        """Close its connections."""
        ...

    def deafen(self, instrument: str, real_s: float) -> None:
        """Stop listening for a while."""
        ...

    def warm(self, place: str, by_c: float, for_s: float = math.inf) -> None:
        """Warm a device."""
        ...

    def heat(self, by_c: float, for_s: float = math.inf) -> None:
        """Heat the room."""
        ...

    def set_air(self, to_c: float, for_s: float = math.inf) -> None:
        """Set the room to a temperature."""
        ...

    def step(self, place: str, by_ppm: float) -> None:
        """Let a device jump."""
        ...

    def remove(self, place: str) -> None:
        """Take a device out."""
        ...

    def insert(self, place: str, offset_ppm: float) -> None:
        """Put another device in."""
        ...

    def burn_code(self, code: int) -> None:
        """Burn a trim code into the chip."""
        ...

    def power_cycle(self) -> None:
        """Take the chip's supply away and give it back."""
        ...

    def lose_fix(self, receiver: str, for_s: float) -> None:
        """Let a receiver lose its fix."""
        ...

    def set_supply(self, volts: float) -> None:
        """Turn the supply."""
        ...

    def served(self, instrument: str | None = None) -> tuple[ServedValue, ...]:
        """Return what was served lately."""
        ...


def carry_out(bench: OrderedBench, line: str) -> object:
    """Carry out one line; returns what is to be said beside `ok`, None for nothing.

    Raises UsageError or NotFoundError with what would have been understood.
    """
    first, *words = line.split()
    if first == "list":
        return bench.addresses()
    if first == "truth":
        return _truth(bench, words)
    if first in bench.faults:
        return _instrument(bench, first, words)
    if first == "supply":
        bench.set_supply(_number(words, 0, "volts"))
    elif first == "air":
        _air(bench, words)
    elif first == "device":
        _device(bench, words)
    elif first == "chip":
        _chip(bench, words)
    else:
        known = (*bench.faults, "device", "chip", "air", "supply", "list", "truth")
        raise NotFoundError("instrument or command", first, known)
    return None


def _instrument(bench: OrderedBench, name: str, words: Sequence[str]) -> object:
    faults = bench.faults[name]
    verb, *rest = words or [""]
    if verb == "status":
        return [asdict(fault) for fault in faults.waiting()]
    if verb == "drop":
        bench.drop(name)
    elif verb == "deaf":
        bench.deafen(name, _number(rest, 0, "seconds"))
    elif verb == "unfixed":
        bench.lose_fix(name, _number(rest, 0, "seconds"))
    elif verb == "ok":
        faults.clear()
    elif verb in NEEDS:
        times = _times(rest[-1]) if rest else None
        argument = " ".join(rest if times is None else rest[:-1])
        faults.order(verb, argument, 1 if times is None else times)
    else:
        raise NotFoundError("fault", verb, (*NEEDS, *_OTHERS))
    return None


def _device(bench: OrderedBench, words: Sequence[str]) -> None:
    verbs: dict[str, Callable[[str, Sequence[str]], None]] = {
        "warm": lambda place, rest: bench.warm(place, *_push(rest)),
        "step": lambda place, rest: bench.step(place, _number(rest, 0, "ppm")),
        "remove": lambda place, _: bench.remove(place),
        "insert": lambda place, rest: bench.insert(place, _number(rest, 0, "ppm")),
    }
    if len(words) < 2 or words[1] not in verbs:
        raise UsageError("write: device PLACE " + "|".join(verbs) + " [NUMBER ...]")
    place, verb, *rest = words
    verbs[verb](place, rest)


def _chip(bench: OrderedBench, words: Sequence[str]) -> None:
    """Burn a code into the chip, or take its supply away: `chip burn 57`."""
    match words:
        case ["burn", code]:
            bench.burn_code(int(_number([code], 0, "a code")))
        case ["power-cycle"]:
            bench.power_cycle()
        case _:
            raise UsageError("write: chip burn CODE, or chip power-cycle")


def _air(bench: OrderedBench, words: Sequence[str]) -> None:
    """Set the room to a temperature, or change it: `air 40`, `air by 5`."""
    if words[:1] == ["by"]:
        bench.heat(*_push(words[1:]))
    else:
        bench.set_air(*_push(words))


def _push(words: Sequence[str]) -> tuple[float, float]:
    """Read degrees and, if they are given, seconds."""
    for_s = _number(words, 1, "seconds") if len(words) > 1 else math.inf
    return _number(words, 0, "degrees"), for_s


def _truth(bench: OrderedBench, words: Sequence[str]) -> list[dict[str, object]]:
    name = words[0] if words else None
    count = int(_number(words, 1, "count")) if len(words) > 1 else 10
    return [asdict(served) for served in bench.served(name)[-max(1, count) :]]


def _times(text: str) -> int | None:
    """Read `x3` or `always`; None when it is something else."""
    if text == "always":
        return ALWAYS
    if text[:1] == "x" and text[1:].isascii() and text[1:].isdigit():
        return max(1, min(_MOST_TIMES, int(text[1:8])))
    return None


def _number(words: Sequence[str], index: int, what: str) -> float:
    try:
        value = float(words[index])
    except (IndexError, ValueError):
        value = math.nan
    if not math.isfinite(value):
        said = words[index] if index < len(words) else "nothing"
        raise UsageError(f"expected a number of {what}, found {said!r}")
    return value
