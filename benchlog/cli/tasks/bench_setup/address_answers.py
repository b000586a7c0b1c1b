"""What an answer that is an address stands for, and why it cannot be one."""

import re
from collections.abc import Mapping, Sequence
from typing import Final

from benchlog import registry
from benchlog.cli.tasks.bench_setup.answers import NONE, CounterAnswer, driver_of
from benchlog.cli.tasks.host.ports import Port
from benchlog.units import as_stated

BOARD: Final = re.compile(r"ttyACM|-if\d\d$")
"""How the address of a microcontroller board looks."""
_HEAT: Final = (-100.0, 300.0)


def likely(ports: Sequence[Port]) -> str:
    """Return the number of who answered, else of who was plugged in; empty if none."""
    numbers = range(1, len(ports) + 1)
    answered = [n for n in numbers if ports[n - 1].identity]
    plugged = [n for n in numbers if ports[n - 1].lasting or ports[n - 1].kind == "usb"]
    return str(next(iter(answered + plugged), ""))


def chosen(text: str, ports: Sequence[Port]) -> str:
    """Return the address that a number of the list stands for, or the text."""
    if text.isascii() and text.isdigit() and 0 < int(text) <= len(ports):
        return ports[int(text) - 1].best
    return text


def suggested_speech(address: str, port: Port | None) -> str:
    """Return how what is there likely speaks: who answered is asked in SCPI."""
    if port is not None and port.identity:
        return "scpi"
    return "hz" if BOARD.search(address) else "scpi"


def counter_fault(speaks: str, address: str, link: Mapping[str, object]) -> str:
    """Return what an address looks like if what speaks so has none like this.

    `link` holds the options that change what an address may be, None where not given.
    """
    options = {name: value for name, value in link.items() if value is not None}
    return _driver_fault(driver_of(speaks), address, options)


def _driver_fault(driver: str, address: str, options: Mapping[str, object]) -> str:
    wanted = registry.load(driver).address_wanted(address, options)
    return f"no address; write {wanted}" if wanted else ""


_WITH_UNIT: Final = re.compile(r"[+-]?\d+(\.\d+)?\s*°?\s*[CFKcfk]")
"""Our rule: what a person writes who states the unit of a temperature, too."""


def ambient_fault(text: str, ports: Sequence[Port]) -> str:
    """Return what an ambient may be, if this cannot be one."""
    value = as_number(text)
    if value is not None:
        low, high = _HEAT
        fault = (
            f"a temperature from {as_stated(low)} to {as_stated(high)} C, or an "
            "address, or none"
        )
        return "" if low <= value <= high else fault
    if text == NONE or text.startswith("/sys/"):
        return ""
    if _WITH_UNIT.fullmatch(text):
        return "write the number alone, in degrees C, such as 23.5"
    return _driver_fault("scpi-thermometer", chosen(text.removeprefix("#"), ports), {})


def pulse_fault(text: str, ports: Sequence[Port], counter: CounterAnswer) -> str:
    """Return what a reference pulse may come in at, if this cannot be it."""
    if text == NONE:
        return ""
    if re.fullmatch(r"input [1-9]\d?", text):
        return "" if counter.speaks == "scpi" else "only a counter that is asked has it"
    address = chosen(text.removeprefix("#"), ports)
    line = "kernel" if address.startswith("/dev/pps") else "dcd"
    return _driver_fault("pulse-edge", address, {"line": line})


def as_number(text: str) -> float | None:
    """Return the number that a text is, None if it is none."""
    try:
        return float(text)
    except ValueError:
        return None
