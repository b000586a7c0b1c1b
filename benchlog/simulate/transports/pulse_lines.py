"""Pulses on lines: a byte each, or a modem line that moves; sentences beside them."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

from benchlog.simulate.bench_wait import AbandonedError, Patience
from benchlog.simulate.instruments.faults import NO_SIGNAL, Faults
from benchlog.simulate.physics.pulse_trains import Pulse, PulseSource
from benchlog.simulate.physics.receiver import sentences
from benchlog.simulate.physics.world import World
from benchlog.simulate.served_log import ServedValue, Truth
from benchlog.simulate.transports.byte_stream import Protocolled, Stream
from benchlog.simulate.transports.rfc2217_server import VirtualPort
from benchlog.units import NS_PER_S

BYTE: Final = b"\x00"  # what a long low pulse looks like on a receive line
_WIDTH_S: Final = 0.1  # common practice, no source: receivers' pulses
_SAID_AFTER_S: Final = 0.15  # our rule: sentences follow their pulse


@dataclass(frozen=True, slots=True, kw_only=True)
class PulseLines:
    """A train of pulses ready to be put on lines; `faults` can silence it."""

    name: str
    train: PulseSource
    faults: Faults
    truth: Truth
    world: World

    def as_bytes(self) -> Protocolled:
        """Return what sends a byte for each pulse."""

        def serve(stream: Stream, patience: Patience) -> None:
            for pulse in self.train.pulses(patience):
                patience.until(pulse.mono_ns)
                if not self.faults.use_up(NO_SIGNAL):
                    stream.send(BYTE)
                    self._sent(pulse)

        return self._bounded(serve)

    def as_sentences(self) -> Protocolled:
        """Return what says sentences after each second of a receiver."""

        def serve(stream: Stream, patience: Patience) -> None:
            for pulse in self.train.pulses(patience):
                if not pulse.extra:
                    self._say(stream, patience, pulse)

        return self._bounded(serve)

    def on_modem_lines(self, port: VirtualPort, *, speak: bool) -> Protocolled:
        """Return what moves the carrier line for each pulse, and says sentences."""

        def serve(stream: Stream, patience: Patience) -> None:
            port.cd = False
            for pulse in self.train.pulses(patience):
                patience.until(pulse.mono_ns)
                silenced = bool(self.faults.use_up(NO_SIGNAL))
                port.cd = not silenced
                if not silenced:
                    self._sent(pulse)
                patience.until(pulse.mono_ns + round(_WIDTH_S * NS_PER_S))
                port.cd = False
                if speak and not pulse.extra:
                    self._say(stream, patience, pulse)

        return self._bounded(serve)

    def _say(self, stream: Stream, patience: Patience, pulse: Pulse) -> None:
        due_ns = pulse.mono_ns + round(_SAID_AFTER_S * NS_PER_S)
        patience.until(due_ns)
        ago_ns = self.world.clock.mono_ns() - pulse.mono_ns
        utc_ns = self.world.clock.utc_ns() - ago_ns + NS_PER_S // 2
        for sentence in sentences(utc_ns, fix=pulse.fix):
            stream.send(sentence)

    def _sent(self, pulse: Pulse) -> None:
        served = ServedValue(
            instrument=self.name, mono_ns=pulse.mono_ns, text=str(pulse.second)
        )
        self.truth.add(served, self.world.clock.mono_ns())

    def _bounded(self, serve: Callable[[Stream, Patience], None]) -> Protocolled:
        def bounded(stream: Stream) -> None:
            try:
                serve(stream, Patience(self.world.clock, stream.gone))
            except (AbandonedError, OSError):
                pass  # whoever listened has left
            finally:
                stream.close()

        return bounded
