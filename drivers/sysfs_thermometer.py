"""`sysfs-thermometer`: a temperature file of the Linux kernel.

Thermal zones (`thermal_zone*/temp`) and hwmon (`temp*_input`) hold millidegrees Celsius
(kernel documentation, sysfs-api of thermal and hwmon). A 1-wire sensor has a
`temperature` file in millidegrees, or a `w1_slave` file of two lines: the sensor's nine
bytes with the verdict on their checksum, and the same bytes with `t=` millidegrees.
"""

import errno
import os
import re
import stat
from pathlib import Path
from typing import Final

from benchlog.driver import Driver, Option
from benchlog.driver_kit.numbers import Number, parse_number
from benchlog.driver_kit.settings import every, number_of
from benchlog.errors import GarbledError, LostError, NoSignalError, RefusedError
from benchlog.model import Identity, Sample

_FILES: Final = ("temp", "temperature", "temp1_input", "w1_slave")
_MAX_BYTES: Final = 4096  # source: the kernel's sysfs gives a page at most
_LONGEST_NAME: Final = 100  # our rule: the kernel's names have 20 characters at most
_W1: Final = re.compile(
    rb"(?P<bytes>(?:[0-9a-f]{2} ){9}): crc=[0-9a-f]{2} (?P<crc>YES|NO)\n"
    rb"(?:[0-9a-f]{2} ){9}t=(?P<milli>-?\d{1,7})\n?"
)
_NO_VALUE: Final = (errno.EAGAIN, errno.ENODATA, errno.EINVAL, errno.EBUSY)
"""What a sensor that is there but has no value yet answers a read with."""


class SysfsThermometer(Driver):
    """A file that holds a temperature; the address is its path or its folder's."""

    quantity = "temperature"
    unit = "C"
    exclusive = False
    options = (
        Option(
            "scale",
            float,
            None,
            "degrees Celsius per unit of the file; without it 0.001 for a whole number "
            "and 1 for one with a decimal point",
            low=1e-6,
            high=1e3,
        ),
        every(1.0),
    )

    _path: Path | None = None

    @property
    def period_s(self) -> float:
        """See `Driver.period_s`."""
        return number_of(self.settings, "every_s")

    def open(self) -> None:
        """See `Driver.open`; a path that is no plain file is refused."""
        self.close()
        path = Path(self.address)
        if path.is_dir():
            inside = [path / name for name in _FILES if (path / name).exists()]
            if not inside:
                raise self._lost(f"the folder has none of {', '.join(_FILES)}")
            path = inside[0]
        try:
            is_file = stat.S_ISREG(path.stat().st_mode)
        except (OSError, ValueError) as error:
            raise self._lost(error) from error
        if not is_file:
            raise RefusedError(
                f"{self.address} is not a plain file; give a temperature file of sysfs",
                address=self.address,
            )
        self._path = path

    def identify(self) -> Identity:
        """See `Driver.identify`; named after what the kernel calls the sensor."""
        path = self._opened()
        name = ""
        for beside in ("type", "name"):
            with_name = path.parent / beside
            if not name and with_name.is_file():
                said = self._bytes(with_name)[:_LONGEST_NAME]
                name = said.decode("ascii", "replace").strip()
        settings = {"path": str(path)}
        return Identity(
            f"{name or 'temperature file'} ({path})",
            model=name,
            serial=str(path),
            settings=settings,
        )

    def read(self) -> Sample:
        """See `Driver.read`; a failed checksum is an error, never a value."""
        raw = self._bytes(self._opened())
        mono_ns, utc_ns = self.clock.mono_ns(), self.clock.utc_ns()
        number = self._celsius(raw)
        if number is None:
            raise GarbledError(
                f"{self.address} holds {raw[:80]!r}, which is no temperature with a "
                "good checksum; check the sensor's wiring",
                address=self.address,
                raw=raw,
            )
        said = raw.strip()
        return Sample(number.value, "C", mono_ns, utc_ns, 0.0, said, number.step)

    def close(self) -> None:
        """See `Driver.close`."""
        self._path = None

    def _celsius(self, raw: bytes) -> Number | None:
        scale = self.settings["scale"]
        if b"crc=" in raw:
            match = _W1.fullmatch(raw)
            # A shorted wire reads as nine zeros, whose checksum is right.
            if not match or match["crc"] == b"NO" or not match["bytes"].strip(b"0 "):
                return None
            text, usual = match["milli"].decode(), 1e-3
        else:
            text = raw.decode("ascii", "replace").removesuffix("\n")
            usual = 1.0 if "." in text else 1e-3
        number = parse_number(text)
        factor = usual if scale is None else number_of(self.settings, "scale")
        return number.times(factor) if number else None

    def _bytes(self, path: Path) -> bytes:
        try:
            descriptor = os.open(path, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC)
            try:
                return os.read(descriptor, _MAX_BYTES)
            finally:
                os.close(descriptor)
        except OSError as error:
            if error.errno in _NO_VALUE:
                raise NoSignalError(
                    f"the sensor of {path} has no value now ({error}); is it on?",
                    address=self.address,
                ) from error
            raise self._lost(error) from error

    def _lost(self, why: object) -> LostError:
        return LostError(
            f"cannot read a temperature at {self.address} ({why}); is the sensor "
            "there, and its driver loaded?",
            address=self.address,
        )

    def _opened(self) -> Path:
        if self._path is None:
            raise self._lost("it is not open")
        return self._path
