"""A stranger's trimmer in the keeper's process: its faults are told in words."""

from typing import Any

import pytest

from benchlog.clock import HostClock
from benchlog.driver import Setter, Trimmer
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
    for deed in (trimmer.open, lambda: trimmer.set(5)):
        with pytest.raises(InstrumentError, match=r"'stranger-trim' failed by itself"):
            deed()
    trimmer.close()


class New(Setter):
    """A setter of trim codes that reads back what nobody can use."""

    quantity, unit = "trim", "code"
    back: Any = "7"

    open = close = release = lambda self: None  # type: ignore[assignment]
    identify = read = lambda self: None  # type: ignore[assignment]

    def set(self, value: float) -> None:
        """Take it."""

    def read_back(self) -> float:
        return self.back  # type: ignore[no-any-return]


def test_what_is_read_back_is_looked_at_and_the_old_contract_is_told() -> None:
    new = SoundTrimmer(New("", {}, HostClock()), "new-trim")
    with pytest.raises(InstrumentError, match="'new-trim' is at fault"):
        new.read_back()
    assert not new.outdated
    old = stranger()
    assert old.read_back() is None  # nobody ever asked it
    assert "'stranger-trim' is a Trimmer, the contract of before" in old.outdated


def test_its_own_errors_stay_what_they_are() -> None:
    with pytest.raises(RefusedError, match="not this code"):
        stranger(error=RefusedError("not this code")).set(5)
    assert stranger().identify() == Identity("A,B,7,1")
