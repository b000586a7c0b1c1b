"""A simulated bench, running: instruments served over real sockets and ptys."""

import itertools
import math
import shutil
import tempfile
import zlib
from dataclasses import replace
from functools import partial
from pathlib import Path

from benchlog.clock import Clock
from benchlog.driver_kit.simulated_endpoints import Announcement
from benchlog.errors import NotFoundError, UsageError
from benchlog.simulate.bench_file import bench_text
from benchlog.simulate.control_port import ControlPort, carry_out
from benchlog.simulate.instrument_servers import AnyServer, Outlets
from benchlog.simulate.instruments.chip_supply import ChipSupply
from benchlog.simulate.instruments.faults import Faults
from benchlog.simulate.instruments.station import Station
from benchlog.simulate.instruments.trim_firmware import TrimFirmware, two_ranges
from benchlog.simulate.physics.oscillator import Oscillator
from benchlog.simulate.physics.receiver import PulsedInput, Receiver
from benchlog.simulate.physics.room import Room, Supply
from benchlog.simulate.physics.world import World
from benchlog.simulate.scenario import Scenario
from benchlog.simulate.served_log import ServedValue, Truth
from benchlog.simulate.transports.byte_stream import TcpServer, conversing
from benchlog.simulate.transports.pty_server import PtyServer

CONTROL = "control"
TRIMMER = "trimmer"
SUPPLY = "supply"


class SimulatedBench:
    """Serves a scenario until stopped; also a context manager.

    Parameters
    ----------
    scenario : Scenario
        What to simulate.
    clock : Clock
        Bench time; share its scale with whoever measures.
    truth : Path | None
        A file that receives every value served, one JSON object a line.

    """

    def __init__(
        self, scenario: Scenario, clock: Clock, *, truth: Path | None = None
    ) -> None:
        self.scenario = scenario
        self.clock = clock
        self.truth = Truth(truth)
        self.world = _world(scenario, clock)
        self.faults: dict[str, Faults] = {}
        self._servers: dict[str, AnyServer] = {}
        self._folder: Path | None = None
        self._announcement: Announcement | None = None
        self._inserted = itertools.count(1)
        self.firmware: TrimFirmware | None = None
        self.chip_supply: ChipSupply | None = None
        self._chip = ""
        self._burned: dict[str, int] = {}

    def start(self) -> dict[str, str]:
        """Serve everything; return name -> address.

        An instrument that is reached in several ways appears once under its name and
        again as `NAME@WAY` for each further way. `control` is the control port.
        Raises NotFoundError for an unknown line form; nothing is left then.
        """
        self._folder = Path(tempfile.mkdtemp(prefix="benchlog-simulate-"))
        try:
            self._serve(Outlets(self.scenario, self.world, self.truth, self._folder))
        except BaseException:
            self.stop()
            raise
        return self.addresses()

    def _serve(self, outlets: Outlets) -> None:
        self.faults = outlets.faults
        for name, server in outlets.servers().items():
            server.start()
            self._servers[name] = server
        if self.scenario.register_ppm:
            self._serve_trimmer(self.scenario.places[0].name)
        self._announcement = Announcement(self.addresses().values())
        self._servers[CONTROL] = control = ControlPort(self.command)
        control.start()

    def _serve_trimmer(self, place: str) -> None:
        register = self.scenario.register_ppm
        middle = len(register) // 4
        self.firmware = TrimFirmware(register, middle, lambda by: self.step(place, by))
        self.step(place, register[middle])
        folder = self._folder or Path(tempfile.gettempdir())
        server = PtyServer(self.firmware.serve, folder / TRIMMER, talks=True)
        server.start()
        self._servers[TRIMMER] = server
        if self.scenario.feed:
            self._serve_feed(place)

    def _serve_feed(self, place: str) -> None:
        """Serve the supply of the chip; what was not burned is lost without it."""
        volts = self.scenario.place(place).oscillator.supply_v
        supply = ChipSupply(volts, self.set_supply, partial(self.feed, place))
        self.chip_supply = supply
        self.set_supply(volts)
        self.faults[SUPPLY] = faults = Faults(f"{self.scenario.seed}/{SUPPLY}")
        station = Station(SUPPLY, supply, faults, self.truth, self.world)
        server = TcpServer(conversing(station), talks=False)
        server.start()
        self._servers[SUPPLY] = server

    def stop(self) -> None:
        """Close everything; no thread or file of ours is left."""
        for server in self._servers.values():
            server.stop()
        if self._announcement is not None:
            self._announcement.close()
        self.truth.close()
        if self._folder is not None:
            shutil.rmtree(self._folder, ignore_errors=True)

    def __enter__(self) -> "SimulatedBench":
        self.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.stop()

    def addresses(self) -> dict[str, str]:
        """Return where everything is reached."""
        return {name: server.address for name, server in self._servers.items()}

    def bench_toml(self) -> str:
        """Return a bench file for this bench, as a person would write it."""
        return bench_text(self.scenario, self.addresses())

    def served(self, instrument: str | None = None) -> tuple[ServedValue, ...]:
        """Return the values sent lately (100,000 at most), oldest first."""
        return self.truth.served(instrument)

    # --- on command ---------------------------------------------------------------

    def command(self, line: str) -> object:
        """Carry out one line of the control port. Raises BenchlogError."""
        return carry_out(self, line)

    def drop(self, instrument: str) -> None:
        """Close all connections of an instrument (or of `NAME@WAY`) now.

        Raises NotFoundError.
        """
        for server in self._of(instrument):
            server.drop()

    def deafen(self, instrument: str, real_s: float) -> None:
        """Stop listening for `real_s` real seconds. Raises NotFoundError."""
        for server in self._of(instrument):
            server.deafen(real_s)

    def device(self, place: str) -> Oscillator:
        """Return the device that sits at a place. Raises NotFoundError."""
        if place not in self.world.devices:
            raise NotFoundError("device at place", place, self.world.devices)
        return self.world.devices[place]

    def warm(self, place: str, by_c: float, for_s: float = math.inf) -> None:
        """Warm (or cool) the device at a place, for bench seconds."""
        self.device(place).warm(by_c, self.world.now_s(), for_s)

    def heat(self, by_c: float, for_s: float = math.inf) -> None:
        """Heat (or cool) the room, for bench seconds; everything in it follows."""
        self.world.room.warm(by_c, self.world.now_s(), for_s)

    def set_air(self, to_c: float, for_s: float = math.inf) -> None:
        """Set the room to a temperature, for bench seconds; then it is by itself."""
        self.world.room.set_c(to_c, self.world.now_s(), for_s)

    def step(self, place: str, by_ppm: float) -> None:
        """Let the device at a place jump, as after a knock."""
        self.device(place).step(by_ppm, self.world.now_s())

    def remove(self, place: str) -> None:
        """Take the device out: no signal there. Raises NotFoundError."""
        self.device(place)
        del self.world.devices[place]

    def insert(self, place: str, offset_ppm: float, chip: str = "") -> None:
        """Put another device of the same make in. Raises NotFoundError.

        Where firmware sets a trim code, it is another chip with a register of its own;
        the same `chip` has the same register, another each time without.
        """
        known = {p.name: p.oscillator for p in self.scenario.places}
        if place not in known:
            raise NotFoundError("place", place, known)
        spec = replace(known[place], offset_ppm=offset_ppm)
        seed = f"{self.scenario.seed}/device/{place}/{next(self._inserted)}"
        self.world.devices[place] = Oscillator(
            spec, self.world.room, self.world.supply, seed
        )
        if self.firmware is not None and place == self.scenario.places[0].name:
            self._exchange_chip(place, chip or seed)

    def _exchange_chip(self, place: str, chip: str) -> None:
        assert self.firmware is not None  # that is asked before
        size = len(self.firmware.register_ppm) // 2
        around = size // 4 + zlib.crc32(chip.encode()) % (size // 2)
        register = two_ranges(f"{self.scenario.seed}/{chip}", size=size, around=around)
        code = self._burned.get(chip, size // 2)
        self._chip = chip
        self.step(place, register[code])
        self.firmware.exchange(register, code)

    def burn_code(self, code: int) -> None:
        """Let a programmer burn a code into the chip. Raises UsageError."""
        firmware = self._with_firmware()
        if not 0 <= code < len(firmware.register_ppm):
            raise UsageError(f"code {code} is not in the chip's register")
        firmware.burn(code)
        self._burned[self._chip] = code

    def feed(self, place: str, on: bool) -> None:
        """Give the chip at a place its supply, or take it away: it then forgets."""
        firmware = self._with_firmware()
        firmware.fed = on
        if on:
            firmware.power_cycle()
            self.world.unfed.discard(place)
        else:
            self.world.unfed.add(place)

    def power_cycle(self) -> None:
        """Take the chip's supply away and give it back. Raises UsageError."""
        self._with_firmware().power_cycle()

    def _with_firmware(self) -> TrimFirmware:
        if self.firmware is None:
            raise UsageError("no chip with a trim code is on this bench")
        return self.firmware

    def lose_fix(self, receiver: str, for_s: float) -> None:
        """Let a receiver lose its fix for bench seconds. Raises NotFoundError."""
        if receiver not in self.world.receivers:
            raise NotFoundError("receiver", receiver, self.world.receivers)
        now_s = self.world.true_s(self.clock.mono_ns())
        self.world.receivers[receiver].lose_fix(now_s, for_s)

    def set_supply(self, volts: float) -> None:
        """Turn the supply from now on."""
        self.world.supply.set_volts(volts, self.world.now_s())

    def _of(self, instrument: str) -> list[AnyServer]:
        found = [
            server
            for name, server in self._servers.items()
            if instrument in (name, name.partition("@")[0])
        ]
        if not found:
            raise NotFoundError("instrument", instrument, self._servers)
        return found


def _world(scenario: Scenario, clock: Clock) -> World:
    room = Room(scenario.room, f"{scenario.seed}/room")
    supply = Supply(scenario.supply)
    devices = {
        place.name: Oscillator(
            place.oscillator, room, supply, f"{scenario.seed}/device/{place.name}"
        )
        for place in scenario.places
    }
    world = World(
        clock=clock,
        epoch_ns=clock.mono_ns(),
        room=room,
        supply=supply,
        devices=devices,
        host_ppm=scenario.host_ppm,
    )
    at = scenario.receiver
    if at is not None:
        receiver = Receiver(at.spec, f"{scenario.seed}/receiver/{at.name}")
        world.receivers[at.name] = receiver
        world.signals[at.name] = PulsedInput(receiver, f"{scenario.seed}/{at.name}/in")
    return world
