"""The counter's driver with a diary, and with faults that are ordered by files.

Every sample is written down the moment it is handed over: what the driver has
acknowledged. An order is a file in the folder of `orders`; it is carried out once.
"""

import json
import os
import signal
import threading
from pathlib import Path

from benchlog_drivers.scpi_counter import ScpiCounter

from benchlog.driver import Option

FLOOD = 20_000
LEAK_BYTES = 700_000_000


class SoakCounter(ScpiCounter):
    """As `scpi-counter`, and bad company when told to be."""

    options = (*ScpiCounter.options, Option("orders", str, "", "folder of orders"))
    _again = 0
    _last = None
    _leak = None

    def read(self):
        """Read, or do what was ordered; write down what is handed over."""
        if self._again:
            self._again -= 1
            return self._last
        order = self._take()
        if order == "hang":
            threading.Event().wait()
        if order == "crash":
            os.kill(os.getpid(), signal.SIGSEGV)
        if order == "fault":
            raise ZeroDivisionError("a driver's arithmetic")
        if order == "leak":
            self._leak = bytearray(LEAK_BYTES)
            self._leak[::4096] = b"x" * len(self._leak[::4096])
        self._last = super().read()
        if order == "flood":
            self._again = FLOOD
        self._write_down(self._last)
        return self._last

    def _take(self):
        for path in self._folder.glob("*.order"):
            path.unlink()
            return path.stem
        return ""

    @property
    def _folder(self):
        return Path(str(self.settings["orders"]))

    def _write_down(self, sample):
        line = json.dumps([sample.mono_ns, sample.value, sample.raw.decode()])
        with (self._folder / "acknowledged.jsonl").open("a") as diary:
            diary.write(line + "\n")
