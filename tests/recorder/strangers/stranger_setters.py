"""A stranger's setter that does, when it is told to, what no setter may."""

import math
import os
import sys
import threading
from decimal import Decimal
from pathlib import Path

from benchlog.clock import host_sleep
from benchlog.driver import SETTER_OPTIONS, Option, Setter
from benchlog.model import Identity, Sample


class OddSetter(Setter):
    """Does what files `how-...` in its folder tell; notes that it was released."""

    quantity, unit = "voltage", "V"
    needs_address = False
    options = (
        *SETTER_OPTIONS,
        Option("folder", str, None, "where its files are", required=True),
    )
    period_s = 0.05

    @property
    def read_limit_s(self):
        return 0.0

    def how(self, of):
        try:
            return (self.path / f"how-{of}").read_text()
        except OSError:
            return ""

    @property
    def path(self):
        return Path(str(self.settings["folder"]))

    def open(self):
        self.value = 0.0
        self.odd("open")

    def identify(self):
        text, serial = self.how("identity") or "an odd setter", self.how("serial")
        return Identity(text, *(("ACORN", "ODD", serial) if serial else ()))

    def read(self):
        value = self.odd("read")
        now = self.clock.mono_ns(), self.clock.utc_ns()
        return Sample(0.0 if value is None else value, self.unit, *now, raw=b"0")

    def set(self, value):
        self.odd("set")
        self.value = value

    def read_back(self):
        value = self.odd("read_back")
        return self.value if value is None else value

    def release(self):
        self.odd("release")
        with (self.path / "released").open("a") as file:
            file.write(f"{os.getpid()}\n")

    def close(self):
        self.odd("close")

    def odd(self, of):
        how = self.how(of)
        if how in VALUES:
            return VALUES[how]
        if how in DEEDS:
            DEEDS[how]()
        return None


def hang():
    threading.Event().wait()


def spin():
    while True:
        host_sleep(0.01)


def babble():
    print("x" * 300_000)
    sys.stdout.flush()
    sys.stdout.buffer.write(b'{"kind": "released"}\n')
    sys.stdout.flush()


def linger():
    """Leave a thread behind, for which the process waits at its end."""
    threading.Thread(target=hang).start()


def fail():
    raise ZeroDivisionError("by itself")


DEEDS = {
    "hangs": hang,
    "lingers": linger,
    "spins": spin,
    "exits": sys.exit,
    "fails": fail,
    "prints": babble,
    "forks": os.fork,
}
VALUES = {
    "nan": math.nan,
    "inf": math.inf,
    "huge": 10**400,
    "decimal": Decimal(1),
    "text": "1",
    "true": True,
    "none": [],
}
