"""How well pulses are stamped on lines that a computer has; table: STAMPS.md."""

import os
import subprocess
import sys
import threading
import tty
from contextlib import contextmanager

import numpy as np
import pytest
import serial
from benchlog_drivers._edges import Stamper
from benchlog_drivers._edges_modem import PolledEdges, Wanted
from benchlog_drivers._edges_rx import ByteEdges
from seeds import seeded_generator

from benchlog.clock import HostClock, host_deadline, host_sleep
from benchlog.simulate.transports.rfc2217_server import Rfc2217Server
from benchlog.verdict.run.measuring_advice import pulse_time_s

pytestmark = pytest.mark.slow
PULSES = 400
CLOCK = HostClock()


def delays_us(stamper, pulse) -> np.ndarray:
    """Stamp minus the moment at which the line was moved, in us."""
    found = []
    rng = seeded_generator(1)
    for _ in range(PULSES):
        host_sleep(float(rng.uniform(0.02, 0.04)))
        began_ns = CLOCK.mono_ns()
        pulse()
        stamp = stamper.next(host_deadline(3.0))
        found.append((stamp.mono_ns - began_ns) / 1e3)
    return np.array(found)


def row(name: str, us: np.ndarray) -> str:
    middle = np.median(us)
    core = np.abs(us - middle) < 5 * 1.4826 * np.median(np.abs(us - middle))
    rms_s = float(np.std(us[core])) * 1e-6
    times = [pulse_time_s(limit, rms_s) for limit in (10, 1, 0.1)]
    minutes = " | ".join(f"{t:.0f}" for t in times)
    return (
        f"| {name} | {middle:.0f} | {np.percentile(us, 99):.0f} | {us.max():.0f} | "
        f"{rms_s * 1e6:.0f} | {100 * (1 - core.mean()):.1f} | {minutes} |"
    )


def shown(capsys, name, us):
    with capsys.disabled():
        print(row(name, us))
    assert 0 < np.median(us) < 1e5


@contextmanager
def busy(programs: int):
    """Keep so many programs computing beside."""
    command = [sys.executable, "-c", "while True: pass"]
    running = [subprocess.Popen(command) for _ in range(programs)]
    try:
        yield
    finally:
        for process in running:
            process.kill()
            process.wait()


@pytest.mark.parametrize("first", [True, False], ids=["first", "as any"])
@pytest.mark.parametrize("programs", [0, 3], ids=["quiet", "busy"])
def test_byte_over_a_pty(capsys, programs, first):
    ours, theirs = os.openpty()
    tty.setraw(theirs)
    port = serial.Serial(os.ttyname(theirs), timeout=0.05)
    source = ByteEdges(port, "pty", CLOCK)
    source.waits = first  # else no priority is asked for
    stamper = Stamper(source, "pty")
    words = ["byte over a pty"]
    words += [f"{programs} busy programs beside"] if programs else []
    words += ["with priority"] if stamper.first else []
    try:
        with busy(programs):
            us = delays_us(stamper, lambda: os.write(ours, b"P"))
        shown(capsys, ", ".join(words), us)
    finally:
        stamper.close()
        port.close()
        os.close(ours)
        os.close(theirs)


def test_modem_line_of_a_loop(capsys):
    port = serial.serial_for_url("loop://", timeout=0)
    port.rts = False
    wanted = Wanted("cts", True, "loop")
    stamper = Stamper(PolledEdges(lambda: port.cts, wanted, CLOCK, 1e-3), "loop")

    def pulse():
        port.rts = True
        threading.Timer(0.005, setattr, (port, "rts", False)).start()

    try:
        shown(capsys, "modem line, looked at every 1 ms", delays_us(stamper, pulse))
    finally:
        stamper.close()
        port.close()


@pytest.mark.parametrize("poll_s", [0.001, 0.01])
def test_modem_line_over_the_network(poll_s, capsys):
    done = threading.Event()
    server = Rfc2217Server(lambda stream: done.wait(), modem_poll_s=poll_s)
    server.start()
    server.serial.cd = False
    port = serial.serial_for_url(server.address, timeout=0.05)
    host_sleep(0.3)
    wanted = Wanted("dcd", True, server.address)
    stamper = Stamper(PolledEdges(lambda: port.cd, wanted, CLOCK, 1e-3), "net")

    def pulse():
        server.serial.cd = True
        timer = threading.Timer(0.015, setattr, (server.serial, "cd", False))
        timer.start()

    try:
        name = f"rfc2217://, server looks every {poll_s * 1e3:g} ms"
        shown(capsys, name, delays_us(stamper, pulse))
    finally:
        stamper.close()
        port.close()
        done.set()
        server.stop()
