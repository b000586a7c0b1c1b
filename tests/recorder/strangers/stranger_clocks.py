"""Drivers of a stranger's package, most of them bad company for a keeper."""

import os
import signal
import sys
import threading

from benchlog.driver import Driver, Option
from benchlog.errors import GarbledError, LostError, NoSignalError
from benchlog.model import Identity, Sample

NOMINAL_HZ = 16_000_000.0


class Steady(Driver):
    """Answers every gate with the nominal frequency, one count up, one down."""

    quantity = "frequency"
    unit = "Hz"
    needs_address = False
    exclusive = False
    options = (
        Option("gate_s", float, 0.01, "gate time in seconds", low=1e-4),
        Option("state", str, "", "a file that remembers across processes"),
    )
    count = 0

    @property
    def read_limit_s(self):
        return float(self.settings["gate_s"])

    def open(self):
        pass

    def identify(self):
        return Identity("STRANGER,STEADY,7,1", "STRANGER", "STEADY", "7", "1")

    def read(self):
        self.clock.sleep(float(self.settings["gate_s"]))
        self.count += 1
        return self.sample(NOMINAL_HZ + (-1) ** self.count)

    def sample(self, value):
        raw = f"{value:.1f}".encode()
        now, utc = self.clock.mono_ns(), self.clock.utc_ns()
        return Sample(value, "Hz", now, utc, float(self.settings["gate_s"]), raw, 0.1)

    def close(self):
        pass

    def first_time(self):
        """Whether this is the first process that asks; remembered in a file."""
        try:
            os.close(os.open(str(self.settings["state"]), os.O_CREAT | os.O_EXCL))
        except FileExistsError:
            return False
        return True


class Hangs(Steady):
    """Never returns from its sixth read, once."""

    options = (*Steady.options, Option("limit_s", float, 0.05, "promised read time"))

    def read(self):
        if self.count == 5 and self.first_time():
            threading.Event().wait()
        return super().read()


class Forks(Steady):
    """Makes a copy of its process at its sixth read; both come back."""

    def read(self):
        if self.count == 5 and self.first_time():
            os.fork()
        return super().read()


class Crashes(Steady):
    """Takes its interpreter down at its sixth read, once."""

    def read(self):
        if self.count == 5 and self.first_time():
            sys.stderr.write("the vendor library gave up\n")
            sys.stderr.flush()
            os.kill(os.getpid(), signal.SIGSEGV)
        return super().read()


class Noisy(Steady):
    """Writes a megabyte to standard error while it reads."""

    def read(self):
        sys.stderr.write("x" * 65_536 + "\n")
        return super().read()


class Buggy(Steady):
    """Raises what no driver should, once, and goes on."""

    def read(self):
        if self.count == 5 and self.first_time():
            raise ZeroDivisionError("a stranger's arithmetic")
        return super().read()


class Swaps(Steady):
    """Another instrument answers after the first error."""

    def identify(self):
        text = "STRANGER,STEADY,7,1" if self.first_time() else "STRANGER,STEADY,8,1"
        return Identity(text, *text.split(","))

    def read(self):
        if self.count == 5:
            raise LostError("unplugged", address="somewhere")
        return super().read()


class Odd(Steady):
    """Gives values that no frequency can be, between good ones."""

    ODD = (float("nan"), float("inf"), 0.0, -5.0)

    def read(self):
        good = super().read()
        turn = self.count % 12
        if turn == 7:
            raise NoSignalError("no signal", command="READ?", raw=b"9.91E37\n")
        if turn == 9:
            raise GarbledError("garbage", command="READ?", raw=b"\xff\x00%%")
        return self.sample(self.ODD[turn - 1]) if turn <= len(self.ODD) else good


class StuckOpen(Steady):
    """Never returns from opening."""

    def open(self):
        threading.Event().wait()


class Late(Steady):
    """Is not there when asked the first time."""

    def open(self):
        if self.first_time():
            raise LostError("not there yet", address="somewhere")


class Held(Steady):
    """May be held by one keeper only."""

    exclusive = True


class Quiet(Steady):
    """Gives one reading, then has no signal any more."""

    def read(self):
        if self.count:
            raise NoSignalError("no signal", command="READ?", raw=b"9.91E37\n")
        return super().read()


class Leaks(Steady):
    """Grows beyond all bounds at its sixth read, once."""

    hoard = None

    def read(self):
        if self.count == 5 and self.first_time():
            self.hoard = bytearray(250_000_000)
            self.hoard[::4096] = b"x" * len(self.hoard[::4096])
        return super().read()


class Floods(Steady):
    """Gives the same value again and again from its sixth read on, once.

    So often that its keeper falls behind some time, however little time this one gets.
    """

    again = 0
    newest = None

    def read(self):
        if self.again:
            self.again -= 1
            return self.newest
        self.newest = super().read()
        if self.count == 6 and self.first_time():
            self.again = 1_000_000
        return self.newest


class Knocked(Steady):
    """Steps by 20 ppm after its 400th read."""

    def read(self):
        good = super().read()
        return self.sample(good.value + (320.0 if self.count > 400 else 0.0))


class Rising(Steady):
    """A thermometer that shows the seconds of the monotonic clock as degrees."""

    quantity = "temperature"
    unit = "C"

    def read(self):
        self.clock.sleep(float(self.settings["gate_s"]))
        now, utc = self.clock.mono_ns(), self.clock.utc_ns()
        return Sample(now / 1e9, "C", now, utc, raw=b"")
