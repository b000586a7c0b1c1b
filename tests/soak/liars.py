"""Instruments that lie over every transport, beside one that is sound, in one keeper.

    PYTHONPATH=tests nice python tests/soak/liars.py [SECONDS_OF_EACH_LIE [LIE ...]]

A simulated bench has a counter for each transport. All but the first, and the
thermometer, are behind a relay that passes octets on, and lies once it is told to: it
floods, drips an octet a second, cuts answers in half, turns lengths into the largest
there are. A soak of all of them at once goes through all lies; after each the relay is
honest again. Printed is for each lie how many readings the sound counter gave and its
longest pause, the slowest answer of the keeper, the memory of all its processes at
most, and what its events told; at the end how long the keeper took to end.
"""

import contextlib
import os
import re
import signal
import socket
import struct
import subprocess
import sys
import tempfile
import threading
from collections import Counter
from contextlib import closing
from pathlib import Path

from benchlog.clock import HostClock, host_deadline, host_sleep
from benchlog.control import Request, ask, file_of
from benchlog.keepers import socket_of
from benchlog.simulate import Scenario, SimulatedBench, Via
from benchlog.simulate.physics.oscillator import OscillatorSpec
from benchlog.simulate.scenario import CounterAt, SimulatedPosition
from benchlog.store.reader import Reader

GATE_S = 0.1
VIAS = (Via.TCP, Via.TCP, Via.HISLIP, Via.VXI11, Via.LINE_TCP, Via.RFC2217)
LARGEST = b"\xff" * 65_536
HISLIP_HUGE = struct.pack("!2sBBIQ", b"HS", 7, 0, 0, 2**62) + b"1" * 65_536
"""A header of DataEnd (IVI-6.1) of four exabytes."""
VXI_HUGE = struct.pack("!I", 0xFFFFFFFF) + b"\0" * 65_536
VXI_PIECES = (struct.pack("!I", 4) + b"abcd") * 8_000
"""Fragments of a record (RFC 5531) that never ends."""
TELNET = b"\xff\xfa\x2c" + b"\x65" * 65_536
"""A suboption of RFC 2217 that never ends."""
TELNET_ASKS = b"".join(bytes((255, 251 + n % 4, n % 256)) for n in range(20_000))


def now_s():
    return HostClock().mono_ns() / 1e9


def changed(how):
    return lambda data: (how(data), 0.0)


LIES = {
    "silence": lambda data: (b"", 0.0),
    "half": changed(lambda data: data[: len(data) // 2]),
    "nul": changed(lambda data: b"\0" * len(data)),
    "ones": changed(lambda data: b"\xff" * len(data)),
    "escapes": changed(lambda data: b"\x1b]0;own\x07\x1b[2J\xe2\x80\xae" + data),
    "bits": changed(lambda data: bytes(octet ^ 0x10 for octet in data)),
    "twice": changed(lambda data: data * 2),
    "long-line": changed(lambda data: b"9" * 10_000_000 + b"\n"),
    "drip": lambda data: (data, 1.0),
    "drip-fast": lambda data: (data * 50, 0.02),
    "flood": None,
    "hislip-huge": changed(lambda data: HISLIP_HUGE),
    "vxi-huge": changed(lambda data: VXI_HUGE),
    "vxi-pieces": None,
    "telnet-endless": None,
    "telnet-asks": changed(lambda data: TELNET_ASKS + data),
    "closing": "closing",
    "resetting": "resetting",
}
FLOODS = {
    "flood": b"16000001.25\n" * 5_000,
    "vxi-pieces": VXI_PIECES,
    "telnet-endless": TELNET,
}


class Relay:
    """A TCP server before another one."""

    def __init__(self, port, lie):
        self.to, self.lie = port, lie
        self.server = socket.create_server(("127.0.0.1", 0))
        self.port = self.server.getsockname()[1]
        self._start(self._accept)

    def _start(self, what, *told):
        threading.Thread(target=what, args=told, daemon=True).start()

    def _accept(self):
        while True:
            near, _ = self.server.accept()
            if self.lie() in ("closing", "resetting"):
                self._shut(near)
                continue
            try:
                far = socket.create_connection(("127.0.0.1", self.to), 2)
            except OSError:
                near.close()
                continue
            far.settimeout(None)
            self._start(self._there, near, far)
            self._start(self._back, far, near)

    def _shut(self, link):
        if self.lie() == "resetting":
            now = struct.pack("ii", 1, 0)
            link.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, now)
        link.close()

    def _there(self, near, far):
        with contextlib.suppress(OSError):
            while data := near.recv(65_536):
                far.sendall(data)
        for one in (near, far):
            with contextlib.suppress(OSError):
                one.shutdown(socket.SHUT_RDWR)

    def _back(self, far, near):
        with contextlib.suppress(OSError):
            while data := far.recv(65_536):
                lie = self.lie()
                if lie is None:
                    near.sendall(data)
                elif lie in FLOODS:
                    while self.lie() == lie:
                        near.sendall(FLOODS[lie])
                    break
                elif lie in ("closing", "resetting"):
                    self._shut(near)
                    break
                else:
                    told, pause_s = LIES[lie](data)
                    self._tell(near, told, pause_s, lie)
        for one in (near, far):
            with contextlib.suppress(OSError):
                one.shutdown(socket.SHUT_RDWR)

    def _tell(self, near, told, pause_s, lie):
        if not pause_s:
            near.sendall(told)
            return
        for at in range(len(told)):
            near.sendall(told[at : at + 1])
            if self.lie() != lie:
                raise OSError("the lie is over")
            host_sleep(pause_s)


def bench_behind_relays(lie):
    """Return a simulated bench that runs, and the text of a bench file of relays."""
    places = tuple(
        SimulatedPosition(f"P{n}", OscillatorSpec(nominal_hz=16e6, offset_ppm=n - 2.0))
        for n in range(len(VIAS))
    )
    counters = tuple(
        CounterAt(name=f"c{n}", inputs={1: f"P{n}"}, via=(via,), gate_s=GATE_S)
        for n, via in enumerate(VIAS)
    )
    bench = SimulatedBench(Scenario(places=places, counters=counters), HostClock())
    bench.start()
    text = bench.bench_toml()
    for name, address in bench.addresses().items():
        if name == "c0":
            continue
        port = re.findall(r"\d{4,5}", address)[-1]
        relay = Relay(int(port), lie)
        text = text.replace(address, address.replace(port, str(relay.port)))
    return bench, text


def family(pid):
    """Return the pids of a process and all that it has started."""
    found = [pid]
    with contextlib.suppress(OSError):
        told = Path(f"/proc/{pid}/task/{pid}/children").read_text()
        for child in told.split():
            found += family(int(child))
    return found


def resident_mb(pids):
    total = 0
    for pid in pids:
        with contextlib.suppress(OSError, IndexError):
            total += int(Path(f"/proc/{pid}/statm").read_text().split()[1]) * 4096
    return total / 2**20


class Scene:
    """A keeper at work on the bench of relays."""

    def __init__(self, folder):
        self.now = None
        self.folder = Path(folder)
        self.database = self.folder / "liars.db"
        self.bench, text = bench_behind_relays(lambda: self.now)
        file = self.folder / "bench.toml"
        file.write_text(text)
        line = [sys.executable, "-m", "benchlog.cli", "soak", "--bench", str(file)]
        for n in range(len(VIAS)):
            line += ["--position", f"P{n}", "--device", f"D{n}"]
        line += ["--part", "quartz-16mhz-30ppm", "--no-screen", "--for", "2h"]
        self.out = (self.folder / "out").open("wb")
        self.keeper = subprocess.Popen(
            [*line, "--db", str(self.database)],
            stdout=self.out,
            stderr=subprocess.STDOUT,
            start_new_session=True,
        )

    def wait_for_runs(self):
        limit = host_deadline(90)
        while not limit.passed:
            if self.keeper.poll() is not None:
                break
            with contextlib.suppress(Exception), closing(self.reader()) as reader:
                runs = list(reader.all_runs())
                if len(runs) == len(VIAS) and all(
                    len(reader.columns_after(run.id)) for run in runs
                ):
                    return sorted(run.id for run in runs)
            host_sleep(0.3)
        raise SystemExit(f"no runs: {Path(self.out.name).read_text()[-2000:]}")

    def reader(self):
        return Reader.open(self.database)

    def through(self, lie, seconds, runs):
        """Lie for some seconds, then be honest; return what was seen."""
        status, file = Request(do="status"), file_of(self.database)
        began, slowest, most_mb = HostClock().mono_ns(), 0.0, 0.0
        with closing(self.reader()) as reader:
            door = socket_of(reader.run(runs[0]), self.database)
            before = {run: len(list(reader.events(run))) for run in runs}
        for phase, length in ((lie, seconds), (None, 8.0)):
            self.now = phase
            limit = host_deadline(length)
            while not limit.passed:
                assert self.keeper.poll() is None, "the keeper is gone"
                asked = now_s()
                try:
                    assert ask(door, status, file, 10.0).ok
                except Exception as error:
                    print("   keeper:", error)
                slowest = max(slowest, now_s() - asked)
                most_mb = max(most_mb, resident_mb(family(self.keeper.pid)))
                host_sleep(0.2)
        kinds = Counter()
        with closing(self.reader()) as reader:
            for run in runs:
                told = [one for _, one in list(reader.events(run))[before[run] :]]
                kinds.update(str(one.kind) for one in told)
            stamps = reader.columns_after(runs[0]).mono_ns
            mine = stamps[stamps >= began]
            pause_s = float((mine[1:] - mine[:-1]).max()) / 1e9 if len(mine) > 1 else -1
            back = [
                n
                for n, run in enumerate(runs)
                if (reader.columns_after(run).mono_ns[-1] / 1e9) < now_s() - 4.0
            ]
        return len(mine), pause_s, slowest, most_mb, dict(kinds), back

    def end(self):
        began = now_s()
        self.keeper.send_signal(signal.SIGTERM)
        code = self.keeper.wait(60)
        return code, now_s() - began


def main():
    seconds = float(sys.argv[1]) if len(sys.argv) > 1 else 12.0
    lies = sys.argv[2:] or list(LIES)
    with tempfile.TemporaryDirectory(prefix="liars-") as folder:
        os.environ["XDG_STATE_HOME"] = folder
        scene = Scene(folder)
        try:
            runs = scene.wait_for_runs()
            print(
                "lie | readings | longest pause, s | slowest answer, s | MB | events"
                " | not back after 8 s"
            )
            for lie in lies:
                n, pause_s, slow, mb, kinds, back = scene.through(lie, seconds, runs)
                print(
                    f"{lie} | {n} | {pause_s:.2f} | {slow:.2f} | {mb:.0f} | {kinds}"
                    f" | {back}",
                    flush=True,
                )
            scene.now = "silence"
            host_sleep(3)
            code, took_s = scene.end()
            print(f"ended with {code} in {took_s:.1f} s")
        finally:
            if scene.keeper.poll() is None:
                scene.keeper.kill()
            scene.bench.stop()


if __name__ == "__main__":
    main()
