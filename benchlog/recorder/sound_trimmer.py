"""A trimmer whose faults are told: it works in the keeper's own process."""

import contextlib
from collections.abc import Iterator

from benchlog.driver import Trimmer
from benchlog.driver_values import checked_identity
from benchlog.errors import BenchlogError, DriverFaultError, InstrumentError
from benchlog.model import Identity
from benchlog.recorder.instruments.instrument_messages import words_of


class SoundTrimmer:
    """Hands on to a driver; whatever it raises is an InstrumentError that names it."""

    def __init__(self, trimmer: Trimmer, driver: str) -> None:
        self._trimmer, self._driver = trimmer, driver

    def open(self) -> None:
        """See `Driver.open`."""
        with self._told():
            self._trimmer.open()

    def identify(self) -> Identity:
        """See `Driver.identify`; of plain types."""
        with self._told():
            return checked_identity(self._trimmer.identify())

    def set_code(self, code: int) -> None:
        """See `Trimmer.set_code`."""
        with self._told():
            self._trimmer.set_code(code)

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
