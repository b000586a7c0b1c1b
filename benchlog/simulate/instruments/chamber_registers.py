"""A chamber's registers: set point, probe, start and stop, fault bits.

Registers are 16 bits, temperatures in tenths of a degree, two's complement: the layout
is our own, as a dialect names it.
"""

from typing import Final

from benchlog.simulate.physics.rack import Rack
from benchlog.simulate.physics.world import World

SET_POINT, PROBE, RUN, FAULTS, RATE = 0, 1, 2, 3, 4
"""Addresses, our rule: 0.1 C, 0.1 C (read only), 1 runs, 0 stops; bits; 0.1 C/min."""
DOOR_OPEN, ALARM = 1, 2
"""Bits of `FAULTS`; our rule."""
_TENTHS: Final = 10  # our rule: counts to a degree
_SIGN: Final = 0x8000  # definition: of two's complement


class ChamberRegisters:
    """Registers over a rack's chamber. `lies_c` is added to what the probe tells."""

    def __init__(self, rack: Rack, world: World) -> None:
        self._rack, self._world = rack, world
        self._rate = rack.chamber.spec.rate_c_per_min
        self._runs = True
        self.fault_bits = 0
        self.lies_c = 0.0

    def read(self, address: int) -> int:
        """Return a register. Raises KeyError."""
        chamber = self._rack.chamber
        probe_c = chamber.probe_c(self._world.now_s()) + self.lies_c
        told = {
            SET_POINT: _word(chamber.target_c * _TENTHS),
            PROBE: _word(probe_c * _TENTHS),
            RUN: int(self._runs),
            FAULTS: self.fault_bits,
            RATE: _word(self._rate * _TENTHS),
        }
        return told[address]

    def write(self, address: int, value: int) -> None:
        """Set a register. Raises KeyError, or ValueError for what it cannot do."""
        chamber, now_s = self._rack.chamber, self._world.now_s()
        if address == SET_POINT:
            to_c = _signed(value) / _TENTHS
            if not chamber.spec.low_c <= to_c <= chamber.spec.high_c:
                raise ValueError(to_c)
            chamber.send(to_c, now_s, self._rate)
        elif address == RUN:
            if value not in (0, 1):
                raise ValueError(value)
            self._runs = bool(value)
            if not value:
                chamber.stop(now_s)
        elif address == RATE:
            if not 0 < value <= chamber.spec.rate_c_per_min * _TENTHS:
                raise ValueError(value)
            self._rate = value / _TENTHS
        else:
            raise KeyError(address)

    def power_cut(self) -> None:
        """Forget what it was told, as without mains: it stands still."""
        self._rack.chamber.stop(self._world.now_s())
        self._runs = False


def _word(value: float) -> int:
    return round(value) & 0xFFFF


def _signed(word: int) -> int:
    return word - 2 * _SIGN if word & _SIGN else word
