"""`modbus-chamber`: a chamber over Modbus TCP or RTU; a dialect names its registers.

Needs the package pymodbus (extra `modbus`). Functions 3 (read holding registers) and 6
(write one) of the Modbus application protocol are all that is sent.
"""

import contextlib
import re
from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Any, Final

from benchlog_drivers.scpi_setters import RATE

from benchlog.driver import GRACE_S, SETTER_OPTIONS, Option, Setter
from benchlog.driver_kit.numbers import checked_dialect
from benchlog.driver_kit.settings import every, number_of
from benchlog.errors import (
    GarbledError,
    LostError,
    RefusedError,
    SilentError,
    UsageError,
)
from benchlog.model import Dialect, Identity, Register, Sample
from benchlog.units import as_stated

if TYPE_CHECKING:
    from pymodbus.client import ModbusSerialClient, ModbusTcpClient

_TCP = re.compile(
    r"modbus://(?P<host>[^/:\s]+|\[[0-9a-fA-F:]+\])(?::(?P<port>\d{1,5}))?/?"
)
WANTED: Final = (
    "modbus://HOST:PORT for Modbus TCP, or a serial port such as /dev/ttyUSB0 for RTU"
)
# Function codes; what answers with another one, or to a write with another word than
# was written, answers something else. Source: MODBUS Application Protocol 1.1b3, 6.3
# and 6.6, from memory.
_READ: Final = 3  # source: 6.3
_WRITE: Final = 6  # source: 6.6
_WORD: Final = 0x1_0000  # definition: of 16 bits
_SIGN: Final = 0x8000  # definition: of two's complement


class ModbusChamber(Setter):
    """Sets a chamber's set point, starts and stops it, reads probe and fault bits."""

    quantity = "temperature"
    unit = "C"
    switches = True
    options = (
        *SETTER_OPTIONS,
        RATE,
        Option("dialect", Dialect, "modbus-chamber", "which registers it has"),
        Option(
            "unit_id", int, 1, "the number of the chamber on its line", low=0, high=247
        ),
        Option("baud", int, 9600, "of a serial line", low=300, high=4_000_000),
        Option(
            "parity", str, "none", "of a serial line", choices=("none", "even", "odd")
        ),
        every(2.0),
    )

    _client: "ModbusTcpClient | ModbusSerialClient | None" = None

    @classmethod
    def address_wanted(cls, address: str, settings: Mapping[str, object]) -> str:
        """See `Driver.address_wanted`."""
        del settings
        serial = address.startswith(("/dev/", "COM")) or address.startswith("/tmp/")  # noqa: S108 - a pty
        return "" if _TCP.fullmatch(address) or serial else WANTED

    @property
    def period_s(self) -> float:
        """See `Driver.period_s`."""
        return number_of(self.settings, "every_s")

    def open(self) -> None:
        """See `Driver.open`; asks for the set point, to see that somebody is there."""
        self.close()
        checked_dialect(self, "modbus")
        client = self._new_client()
        if not client.connect():
            raise LostError(
                f"nobody answers at {self.address}; check cable, power and port",
                address=self.address,
            )
        self._client = client
        self.switches = "running" in self._registers
        try:
            self.read_back()
            rate = self.settings.get("rate_per_min")
            if isinstance(rate, int | float) and "rate" in self._registers:
                self._write("rate", float(rate))
        except BaseException:
            self.close()
            raise

    def identify(self) -> Identity:
        """See `Driver.identify`; registers tell no name."""
        self._opened()
        dialect = self._dialect.name
        return Identity(
            f"chamber at {self.address}, unit {self.settings['unit_id']}, which cannot "
            "be asked who it is",
            serial=f"{self.address} unit {self.settings['unit_id']}",
            settings={"dialect": dialect},
        )

    def read(self) -> Sample:
        """See `Driver.read`: what its probe measures. Fault bits are a RefusedError."""
        self._require_sound()
        word = self._word("measured")
        value = self._number("measured", word)
        now = self.clock.mono_ns(), self.clock.utc_ns()
        return Sample(value, self.unit, *now, raw=str(word).encode())

    def set(self, value: float) -> None:
        """See `Setter.set`; a chamber that was stopped is started."""
        self.require_within(value)
        self._write("set_point", value)

    def read_back(self) -> float:
        """See `Setter.read_back`."""
        return self._number("set_point", self._word("set_point"))

    def at_rest(self) -> bool:
        """See `Setter.at_rest`: its probe is within a tenth of a degree."""
        return abs(self.read().value - self.read_back()) <= 0.1 + 1e-9

    def switch(self, on: bool) -> None:
        """See `Setter.switch`; what is read back must agree."""
        if "running" not in self._registers:
            super().switch(on)
        register = self._registers["running"]
        wanted = register.on if on else register.off
        self._write_word("running", wanted)
        if self._word("running") != wanted:
            raise RefusedError(
                f"chamber {self.address} was {'started' if on else 'stopped'} and says "
                "that it was not",
                address=self.address,
            )

    def release(self) -> None:
        """See `Setter.release`: to `safe` where that is given, then stopped."""
        safe = self.settings.get("safe")
        if isinstance(safe, int | float):
            self.set(float(safe))
        if "running" in self._registers:
            self.switch(False)
        elif not isinstance(safe, int | float):
            raise RefusedError(
                f"chamber {self.address} has no register to stop it; give safe = ... "
                "in the bench file",
                address=self.address,
            )

    def close(self) -> None:
        """See `Driver.close`."""
        client, self._client = self._client, None
        if client is not None:
            with contextlib.suppress(Exception):
                client.close()  # type: ignore[no-untyped-call]

    # --- registers --------------------------------------------------------------------

    @property
    def _dialect(self) -> Dialect:
        dialect = self.settings["dialect"]
        if not isinstance(dialect, Dialect):
            raise UsageError("a modbus-chamber needs a dialect with registers")
        return dialect

    @property
    def _registers(self) -> Mapping[str, Register]:
        return self._dialect.registers

    def _require_sound(self) -> None:
        """Raise RefusedError where the chamber tells a fault."""
        register = self._registers.get("faults")
        if register is None:
            return
        word = self._word("faults")
        told = [said for bit, said in register.bits.items() if word >> int(bit) & 1]
        if told:
            raise RefusedError(
                f"chamber {self.address} tells: {'; '.join(told)}",
                address=self.address,
                raw=str(word).encode(),
            )

    def _number(self, role: str, word: int) -> float:
        register = self._registers[role]
        signed = register.signed and word & _SIGN
        return (word - _WORD if signed else word) * register.scale

    def _write(self, role: str, value: float) -> None:
        register = self._registers[role]
        count = round(value / register.scale)
        if role == "set_point":
            count = self._within(count, register.scale)
        low, high = (-_SIGN, _SIGN - 1) if register.signed else (0, _WORD - 1)
        if not low <= count <= high:
            raise RefusedError(
                f"{as_stated(value)} does not fit into the register of {role}; check "
                "its scale in the dialect",
                address=self.address,
            )
        self._write_word(role, count % _WORD)

    def _within(self, count: int, scale: float) -> int:
        """Return the count nearest to one that is within the bounds.

        Rounded to the register's step, a value at the end of them lies beyond.
        """
        low, high = self.bounds
        tiny = 1e-9 * abs(scale)  # of floating point; far less than a step
        for nearest in (count, count - 1, count + 1):
            if low - tiny <= nearest * scale <= high + tiny:
                return nearest
        raise RefusedError(
            f"no step of the set point's register lies within {as_stated(low)} to "
            f"{as_stated(high)} {self.unit}",
            address=self.address,
        )

    def _write_word(self, role: str, word: int) -> None:
        address, unit = self._registers[role].address, self.settings["unit_id"]
        client = self._opened()
        answer = self._answered(
            role, lambda: client.write_register(address, word, device_id=unit)
        )
        told = getattr(answer, "address", None), getattr(answer, "registers", None)
        if answer.function_code != _WRITE or told != (address, [word]):
            raise self._misfit(role, answer)

    def _word(self, role: str) -> int:
        address, unit = self._registers[role].address, self.settings["unit_id"]
        client = self._opened()
        answer = self._answered(
            role,
            lambda: client.read_holding_registers(address, count=1, device_id=unit),
        )
        words = getattr(answer, "registers", None)
        whole = isinstance(words, list) and len(words) == 1
        if answer.function_code != _READ or not whole:
            raise self._misfit(role, answer)
        return int(answer.registers[0]) & (_WORD - 1)

    def _misfit(self, role: str, answer: Any) -> GarbledError:
        """Return the error for an answer to another question than was asked."""
        return GarbledError(
            f"chamber {self.address} answered for {role} with {answer!r:.80}",
            address=self.address,
        )

    def _answered(self, role: str, ask: Callable[[], Any]) -> Any:
        """Ask, and turn what pymodbus raises or returns into our errors."""
        from pymodbus.exceptions import ConnectionException, ModbusException  # noqa: PLC0415

        register = self._registers[role].address
        try:
            answer = ask()
        except ConnectionException as error:
            raise LostError(
                f"the connection to chamber {self.address} is lost: {error}",
                address=self.address,
            ) from error
        except (ModbusException, OSError) as error:
            raise SilentError(
                f"chamber {self.address} does not answer for register {register} "
                f"({role}): {error}",
                address=self.address,
            ) from error
        if answer.isError():
            raise RefusedError(
                f"chamber {self.address} refuses register {register} ({role}): "
                f"exception {getattr(answer, 'exception_code', '?')}; check the "
                "dialect's addresses and the value",
                address=self.address,
            )
        return answer

    def _opened(self) -> Any:
        if self._client is None:
            raise LostError(
                f"{self.address} is not open; open it first", address=self.address
            )
        return self._client

    def _new_client(self) -> "ModbusTcpClient | ModbusSerialClient":
        try:
            from pymodbus.client import ModbusSerialClient, ModbusTcpClient  # noqa: PLC0415
        except ImportError as error:
            raise UsageError(
                "modbus-chamber needs the package pymodbus: pip install "
                "'benchlog-clocks[modbus]'"
            ) from error
        tcp = _TCP.fullmatch(self.address)
        if tcp:
            host, port = tcp["host"].strip("[]"), int(tcp["port"] or 502)
            return ModbusTcpClient(host, port=port, timeout=GRACE_S / 2, retries=0)
        return ModbusSerialClient(
            self.address,
            baudrate=int(number_of(self.settings, "baud", 9600)),
            parity=str(self.settings["parity"])[0].upper(),
            timeout=GRACE_S / 2,
            retries=0,
        )
