"""A setter of trim codes whose faults are told: it works in the keeper's process."""

import contextlib
from collections.abc import Iterator

from benchlog.driver import Setter, Trimmer
from benchlog.driver_values import checked_identity, real
from benchlog.errors import (
    BenchlogError,
    DriverFaultError,
    InstrumentError,
    RefusedError,
)
from benchlog.model import Identity
from benchlog.recorder.instruments.instrument_messages import words_of


class SoundTrimmer:
    """Hands on to a driver; whatever it raises is an InstrumentError that names it.

    `simulated` is known once it has identified itself; `outdated` tells, where it is
    so, that the driver is written after the contract of before.
    """

    def __init__(self, trimmer: Setter, driver: str) -> None:
        self._trimmer, self._driver = trimmer, driver
        self.simulated = False
        self.outdated = ""
        if isinstance(trimmer, Trimmer):
            self.outdated = (
                f"driver {driver!r} is a Trimmer, the contract of before: it is used, "
                "and has to become a Setter of the quantity 'trim' (benchlog.driver)"
            )

    def open(self) -> None:
        """See `Driver.open`."""
        with self._told():
            self._trimmer.open()

    def identify(self) -> Identity:
        """See `Driver.identify`; of plain types."""
        with self._told():
            identity = checked_identity(self._trimmer.identify())
        self.simulated = identity.simulated
        return identity

    def set(self, code: int) -> None:
        """See `Setter.set`; the code is one that the part allows."""
        with self._told():
            self._trimmer.set(code)

    def read_back(self) -> float | None:
        """See `Setter.read_back`; None where the driver tells that it cannot.

        Those of the contract of before were never asked: whatever goes wrong is None.
        """
        if self.outdated:
            with contextlib.suppress(Exception):
                return real("read_back()", self._trimmer.read_back())
            return None
        with self._told():
            try:
                return real("read_back()", self._trimmer.read_back())
            except RefusedError:
                return None

    def close(self) -> None:
        """See `Driver.close`."""
        with contextlib.suppress(Exception):
            self._trimmer.close()

    @contextlib.contextmanager
    def _told(self) -> Iterator[None]:
        try:
            yield
        except DriverFaultError as fault:
            said = f"driver {self._driver!r} is at fault: {fault}"
            raise InstrumentError(said) from fault
        except BenchlogError:
            raise
        except Exception as error:
            raise InstrumentError(
                f"driver {self._driver!r} failed by itself: {type(error).__name__}: "
                f"{words_of(error)}"
            ) from error
