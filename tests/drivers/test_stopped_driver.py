"""An answer that waits while its process is stopped: never a reading of afterwards."""

import os
import signal
import subprocess
import sys

from benchlog.clock import host_sleep
from benchlog.testing import Script, TcpPeer

STOPPED_S = 4.0
"""Beyond gate, grace and the 0.5 s of the program below."""
PROGRAM = """
import sys
from benchlog_drivers.scpi_counter import ScpiCounter
from benchlog.clock import host_clock
from benchlog.driver_kit import scpi
from benchlog.errors import InstrumentError
from benchlog.model import Dialect
scpi.STALE_S = 0.5  # ten seconds would do as well
commands = {"identify": "*IDN?", "read": "READ?"}
asked = Dialect(name="asked", talks="scpi", commands=commands)
counter = ScpiCounter(sys.argv[1], {"gate_s": 0.5, "dialect": asked}, host_clock())
for attempt in range(2):
    counter.open()
    print("open", flush=True)
    try:
        print(counter.read().value, flush=True)
    except InstrumentError as error:
        print(error.kind, error.raw, error, flush=True)
"""


def test_what_came_while_the_process_was_stopped_has_no_time():
    """Before, a reading of 61 s ago had the time of now.

    The keeper and its instruments had been stopped for 60 s, as in a frozen container.
    """
    answers = {"*IDN?": "MAKER,COUNTER,7,1.0"}
    script = Script(answers, value=("READ?", "+1.6000001E+07"), gate_s=0.5)
    with (
        TcpPeer(script) as peer,
        subprocess.Popen(
            [sys.executable, "-c", PROGRAM, peer.address],
            stdout=subprocess.PIPE,
            text=True,
        ) as process,
    ):
        assert process.stdout.readline() == "open\n"
        while "READ?" not in [line.strip() for line in script.heard]:
            host_sleep(0.01)
        os.kill(process.pid, signal.SIGSTOP)
        host_sleep(STOPPED_S)
        os.kill(process.pid, signal.SIGCONT)
        told = process.stdout.readline()
        assert told.startswith("out-of-step b'+1.6000001E+07")
        assert "was stopped or the computer slept" in told
        assert process.stdout.readline() == "open\n"
        assert process.stdout.readline() == "16000001.0\n"  # at once afterwards
