"""What the tests of the simulated bench share: small benches and raw connections."""

import re
import socket
from contextlib import contextmanager

from benchlog.clock import Clock, HostClock, VirtualClock
from benchlog.simulate import SimulatedBench, Via
from benchlog.simulate.bench_wait import Patience
from benchlog.simulate.instruments.faults import Faults
from benchlog.simulate.instruments.scpi_counter import SimulatedScpiCounter
from benchlog.simulate.physics.counting import Counter, CounterSpec, InputSpec
from benchlog.simulate.physics.oscillator import Oscillator, OscillatorSpec
from benchlog.simulate.physics.room import (
    Room,
    RoomSpec,
    Supply,
    SupplySpec,
)
from benchlog.simulate.physics.world import World
from benchlog.simulate.scenario import CounterAt, Scenario, SimulatedPosition

QUARTZ = OscillatorSpec(nominal_hz=16e6, offset_ppm=10.0)
STILL = RoomSpec(mean_c=25.0, drift_c_per_day=0.0, swing_c=0.0, draft_c=0.0)


def now_s() -> float:
    """Real seconds on a clock that never steps."""
    return HostClock().mono_ns() / 1e9


class Desk:
    """A counter's interpreter on a virtual clock, asked without any line between."""

    def __init__(self, spec: CounterSpec | None = None) -> None:
        self.clock = VirtualClock()
        room, supply = Room(STILL, "r"), Supply(SupplySpec(3.3, 0.0))
        world = World(
            clock=self.clock, epoch_ns=self.clock.mono_ns(), room=room, supply=supply
        )
        world.devices["A"] = Oscillator(QUARTZ, room, supply, "device")
        inputs = {1: InputSpec("A")}
        counter = Counter(spec or CounterSpec(), inputs, world, "counter")
        self.faults = Faults("faults")
        self.device = SimulatedScpiCounter("counter", counter, self.faults)

    def ask(self, message: str | bytes) -> str | None:
        raw = message.encode("latin-1") if isinstance(message, str) else message
        return self.device.run(raw, Patience(self.clock)).text

    def error(self) -> int:
        said = self.ask("SYST:ERR?")
        assert said is not None
        match = re.fullmatch(r'(-?\d+),"[^"]*"', said)  # SCPI-1999 vol. 2, 21.8.3
        assert match, said
        return int(match[1])


def scenario(*ways: Via, gate_s: float = 0.01, **changes) -> Scenario:
    counter = CounterAt(
        name="counter", inputs={1: "A"}, via=ways or (Via.TCP,), gate_s=gate_s
    )
    return Scenario(
        places=(SimulatedPosition("A", QUARTZ),),
        counters=(counter,),
        room=STILL,
        **changes,
    )


def port_of(address: str) -> int:
    return int(re.findall(r"\d{4,5}", address)[-1])


class Line:
    """A raw socket with a deadline, to see what truly comes over the wire."""

    def __init__(self, address: str, timeout_s: float = 5.0) -> None:
        self.socket = socket.create_connection(("127.0.0.1", port_of(address)), 5.0)
        self.socket.settimeout(timeout_s)
        self.rest = b""

    def say(self, text: str) -> None:
        self.socket.sendall(text.encode() + b"\n")

    def hear(self) -> bytes:
        """One line with its terminator, or what came before the end."""
        while b"\n" not in self.rest:
            chunk = self.socket.recv(4096)
            if not chunk:
                self.rest, said = b"", self.rest
                return said
            self.rest += chunk
        said, _, self.rest = self.rest.partition(b"\n")
        return said + b"\n"

    def ask(self, text: str) -> bytes:
        self.say(text)
        return self.hear()

    def close(self) -> None:
        self.socket.close()


@contextmanager
def serving(scenario: Scenario, clock: Clock):
    """A running bench: yields it with its addresses."""
    bench = SimulatedBench(scenario, clock)
    addresses = bench.start()
    try:
        yield bench, addresses
    finally:
        bench.stop()
