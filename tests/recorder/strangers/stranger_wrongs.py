"""Strangers' drivers that do, once in their lives, what no driver may."""

import os
import sys
import threading
from dataclasses import replace

from stranger_cases import FORGED, IDENTITIES, MESSAGES, PROMISES, SAMPLES
from stranger_clocks import Steady

from benchlog.driver import Option
from benchlog.errors import LostError
from benchlog.recorder.instruments.instrument_messages import Said
from benchlog.recorder.instruments.message_wire import to_frame


class Wrong(Steady):
    """Hands over one wrong thing, once, after five good readings."""

    options = (*Steady.options, Option("case", str, "", "what is wrong"))

    def now(self, step):
        """Whether this is the moment of a step of its life; once for all processes."""
        try:
            path = f"{self.settings['state']}-{step}"
            os.close(os.open(path, os.O_CREAT | os.O_EXCL))
        except FileExistsError:
            return False
        return True

    def again(self):
        """Whether it is opened for the second time."""
        return os.path.exists(f"{self.settings['state']}-lost")

    @property
    def case(self):
        return str(self.settings["case"])

    def __getattribute__(self, name):
        own = super().__getattribute__
        if name in ("read_limit_s", "period_s", "quantity", "unit"):
            wanted, value = PROMISES.get(own("case"), ("", None))
            if wanted == name and own("again")() and own("now")("wrong"):
                return value
        return own(name)

    def identify(self):
        good = super().identify()
        wrong = IDENTITIES.get(self.case)
        return wrong(good) if wrong and self.again() and self.now("wrong") else good

    def messages(self):
        wrong = MESSAGES.get(self.case)
        now = wrong and self.count == 0 and self.again() and self.now("wrong")
        return wrong() if now else ()

    def read(self):
        good = super().read()
        if self.count == 6:
            wrong = SAMPLES.get(self.case)
            if wrong and self.now("wrong"):
                return wrong(good)
            if not wrong and self.now("lost"):
                raise LostError("unplugged", address="somewhere")
        return good


def pipe_to_keeper():
    """Return the number of the pipe that only its own process should write to."""
    return int(sys.argv[2])


class Forger(Wrong):
    """Writes to the keeper's pipe by itself after five good readings."""

    def read(self):
        good = Steady.read(self)
        if self.count == 6 and self.now("forged"):
            os.write(pipe_to_keeper(), FORGED[self.case])
            if self.case.startswith("half"):
                threading.Event().wait()
        return good


class Fickle(Steady):
    """A thermometer that has no value every other time, and does not say so."""

    quantity = "temperature"
    unit = "C"

    def sample(self, value):
        good = super().sample(value)
        nan = self.count % 2 == 0
        return replace(good, value=float("nan") if nan else 23.5, unit="C", raw=b"x")


class Chatty(Steady):
    """Writes a hundred messages into the keeper's pipe with each reading."""

    said = 0

    def read(self):
        good = super().read()
        several = []
        for _ in range(50):
            self.said += 1
            several += ['-350,"Queue overflow"', f'-{self.said},"Number {self.said}"']
        os.write(pipe_to_keeper(), b"".join(to_frame(Said(one)) for one in several))
        return good


class Gone(Steady):
    """Ends its process when it is opened."""

    def open(self):
        os._exit(3)


class Astray(Steady):
    """Gives, from the 21st reading on, every 15th time one of the values named."""

    options = (*Steady.options, Option("values_hz", str, "", "one after the other"))

    def read(self):
        good = super().read()
        values = [float(value) for value in str(self.settings["values_hz"]).split()]
        turn, left = divmod(self.count - 21, 15)
        now = left == 0 and 0 <= turn < len(values)
        return self.sample(values[turn]) if now else good


class Elsewhere(Steady):
    """A device that runs 5,000 ppm fast all the time."""

    def sample(self, value):
        return super().sample(value * 1.005)
