"""`line-trim`: firmware of your own on the chip under test, asked to set a trim code.

The protocol is four lines of text over a serial line, any baud rate, each ended by a
line feed; firmware is a few lines of C, and `benchlog simulate --trimmer` speaks it::

    id?         id MAKER,MODEL,SERIAL,VERSION
    trim?       trim 87                 the code now in effect
    trim 91     trim 91                 set, and told back
    trim 999    error out of range      not set; any text

Lines that begin with # are remarks and are passed over. The firmware must not write the
code to permanent memory: what is found is for the person to burn.
"""

import re
from collections.abc import Mapping
from typing import Final

from benchlog.driver import GRACE_S, MOST_CODE, TRIM, Option, Setter, as_code
from benchlog.driver_kit.connect import STREAM_WANTED, is_stream, open_stream
from benchlog.driver_kit.link import StreamLink
from benchlog.driver_kit.serial_line import SERIAL_OPTIONS
from benchlog.errors import GarbledError, OutOfStepError, RefusedError
from benchlog.model import Identity, Sample

_LONGEST: Final = 512  # our rule: an identification has 100 characters
_CODE = re.compile(rb"trim (\d{1,8})\r?\n")


class LineTrim(Setter):
    """Sets trim codes over a serial line, `rfc2217://` or a plain socket."""

    quantity = TRIM
    unit = "code"
    options = (
        *SERIAL_OPTIONS,
        Option(
            "boot_s",
            float,
            0.0,
            "seconds to rest after opening, for a board that resets then",
            low=0.0,
            high=30.0,
        ),
    )

    _link: StreamLink | None = None

    @classmethod
    def address_wanted(cls, address: str, settings: Mapping[str, object]) -> str:
        """See `Driver.address_wanted`."""
        del settings
        return "" if is_stream(address) else STREAM_WANTED

    def open(self) -> None:
        """See `Driver.open`."""
        self.close()
        self._link = open_stream(self.address, "\n", self.settings)
        boot_s = self.settings["boot_s"]
        self.clock.sleep(float(boot_s) if isinstance(boot_s, int | float) else 0.0)
        self._link.waiting()

    def identify(self) -> Identity:
        """See `Driver.identify`."""
        text = self._ask("id?").decode("ascii", errors="backslashreplace").strip()
        if not text.startswith("id "):
            raise GarbledError(
                f"{self.address} answered 'id?' with {text!r}; is it the firmware that "
                "knows the trim lines?",
                address=self.address,
                command="id?",
                raw=text.encode(),
            )
        maker, model, serial, version = [*text[3:].split(",", 3), "", "", ""][:4]
        simulated = maker.upper() == "SIMULATED"
        return Identity(text[3:], maker, model, serial, version, simulated)

    def read(self) -> Sample:
        """Return the code now in effect."""
        raw = self._ask("trim?")
        now = self.clock.mono_ns(), self.clock.utc_ns()
        return Sample(float(self._code(raw, "trim?")), "code", *now, raw=raw)

    @property
    def bounds(self) -> tuple[float, float]:
        """See `Setter.bounds`: the part's safe codes are narrower."""
        return (0.0, float(MOST_CODE))

    def set(self, value: float) -> None:
        """See `Setter.set`; the firmware must tell the code back."""
        code = as_code(self, value)
        command = f"trim {code}"
        raw = self._ask(command)
        if raw.startswith(b"error"):
            said = raw.decode("ascii", errors="backslashreplace").strip()
            raise RefusedError(
                f"the firmware at {self.address} did not set code {code}: {said}",
                address=self.address,
                command=command,
                raw=raw,
            )
        told = self._code(raw, command)
        if told != code:
            raise OutOfStepError(
                f"the firmware at {self.address} was told code {code} and says {told}",
                address=self.address,
                command=command,
                raw=raw,
            )

    def read_back(self) -> float:
        """See `Setter.read_back`."""
        return self.read().value

    def release(self) -> None:
        """See `Setter.release`: a code harms nobody, so it stays."""

    def close(self) -> None:
        """See `Driver.close`."""
        if self._link is not None:
            self._link.close()
            self._link = None

    def _ask(self, command: str) -> bytes:
        if self._link is None:
            self.open()
        link = self._link
        assert link is not None  # open has set it or raised
        link.waiting()  # remarks since the last question
        link.send(command.encode("ascii"))
        deadline = self.clock.deadline(0.0, GRACE_S)
        while (line := link.read_line(deadline, command)).startswith(b"#"):
            if deadline.passed:  # firmware that remarks without an end
                raise link.silent(command, b"")
        if len(line) > _LONGEST:
            raise GarbledError(
                f"{self.address} answered {command!r} with {len(line):,} bytes, more "
                f"than the {_LONGEST} of a trim line; is it the right firmware?",
                address=self.address,
                command=command,
                raw=line,
            )
        return line

    def _code(self, raw: bytes, command: str) -> int:
        found = _CODE.fullmatch(raw)
        if found is None:
            raise GarbledError(
                f"{self.address} answered {command!r} with {raw[:60]!r}, not a code",
                address=self.address,
                command=command,
                raw=raw,
            )
        return int(found[1])
