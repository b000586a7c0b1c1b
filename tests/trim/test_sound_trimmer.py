"""A stranger's trimmer in the keeper's process: its faults are told in words."""

from typing import Any

import pytest

from benchlog.clock import HostClock
from benchlog.driver import Trimmer
from benchlog.errors import InstrumentError, RefusedError
from benchlog.model import Identity, Sample
from benchlog.recorder.sound_trimmer import SoundTrimmer


class Stranger(Trimmer):
    """Does as it is told to, wrong."""

    identity: Any = Identity("A,B,7,1")
    error: Exception | None = None

    def open(self) -> None:
        if self.error:
            raise self.error

    def identify(self) -> Identity:
        return self.identity  # type: ignore[no-any-return]

    def read(self) -> Sample:
        raise NotImplementedError

    def set_code(self, code: int) -> None:
        if self.error:
            raise self.error

    def close(self) -> None:
        raise OSError("close never raises, they said")


def stranger(**wrong: Any) -> SoundTrimmer:
    kind = type("Stranger", (Stranger,), wrong)
    return SoundTrimmer(kind("", {}, HostClock()), "stranger-trim")


@pytest.mark.parametrize("identity", [None, "A,B", Identity("x", serial=7)])  # type: ignore[arg-type]
def test_an_identity_of_the_wrong_type_is_told(identity: object) -> None:
    with pytest.raises(InstrumentError, match=r"(?i)is at fault: ident"):
        stranger(identity=identity).identify()


def test_what_fails_by_itself_is_told() -> None:
    trimmer = stranger(error=ZeroDivisionError("arithmetic"))
    for deed in (trimmer.open, lambda: trimmer.set_code(5)):
        with pytest.raises(InstrumentError, match=r"'stranger-trim' failed by itself"):
            deed()
    trimmer.close()


def test_its_own_errors_stay_what_they_are() -> None:
    with pytest.raises(RefusedError, match="not this code"):
        stranger(error=RefusedError("not this code")).set_code(5)
    assert stranger().identify() == Identity("A,B,7,1")
