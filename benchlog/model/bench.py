"""A bench: its instruments, positions, reference and alarms, as its file says."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final

from benchlog.model.blocks import BlockForm


@dataclass(frozen=True, slots=True, kw_only=True)
class Register:
    """One Modbus register of 16 bits: a number of `scale` units, or single bits.

    `signed` is two's complement. `on`, `off` are what a switch is written as; `bits`
    has a word for each bit that means a fault.
    """

    address: int
    scale: float = 1.0
    signed: bool = True
    on: int = 1
    off: int = 0
    bits: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class Dialect:
    """The command strings and reply pattern of one family of instruments.

    Parameters
    ----------
    name : str
        The file it came from, without `.toml`.
    talks : str
        `scpi` (asked, then answers), `line` (talks by itself) or `modbus`.
    commands : mapping
        Role to command text; a role that is absent is never sent. Braces name
        settings: `{"gate": "SENSe:FREQuency:APERture {gate_s}"}`.
    reply : str
        Regular expression with a group `value`; must match the whole line.
    unit : str
        Unit of `value`: `Hz`, `s` (a period), `counts` (in a reference second), `C` ...
    scale : float
        Multiplies `value` into that unit (`1e3` for kHz).
    no_signal, overload : tuple of str
        Replies (compared after stripping, case folded) that mean there is no value.
    counting, gapless, digits
        How such counters count, see `Counting`.
    registers : mapping
        Role to register, of what talks Modbus.
    block : BlockForm | None
        The form of what answers the role `block`, of a counter that streams.

    """

    name: str
    talks: str
    title: str = ""
    commands: Mapping[str, str] = field(default_factory=dict)
    reply: str = r"(?P<value>[-+]?(\d+(\.\d*)?|\.\d+)([eE][-+]?\d+)?)"
    unit: str = "Hz"
    scale: float = 1.0
    terminator: str = "\n"
    no_signal: tuple[str, ...] = ()
    overload: tuple[str, ...] = ()
    counting: str = ""
    gapless: bool | None = None
    digits: str = ""
    registers: Mapping[str, Register] = field(default_factory=dict)
    block: BlockForm | None = None


TWO_STAMPS, AVERAGING, REGRESSION = "two-stamps", "averaging", "regression"
COUNTING = (TWO_STAMPS, AVERAGING, REGRESSION)
"""How a counter makes a frequency of the phase within a gate: of its two ends (each
instant counts alike), as the mean over overlapping sub-gates (those in the middle count
most, a triangle), or as the slope of a line through many stamps (a parabola)."""
ROUNDED, CUT = "rounded", "cut"
DIGITS = (ROUNDED, CUT)
"""What a counter does with the digits that it does not show."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Counting:
    """How a counter counts; empty and None where nobody stated it.

    `mode` is one of `COUNTING`, `digits` one of `DIGITS`. `gapless`: each gate begins
    where the one before ended.
    """

    mode: str = ""
    gapless: bool | None = None
    digits: str = ""

    @property
    def cut(self) -> bool:
        """Whether the last digit is cut off."""
        return self.digits == CUT


TURN_SETTLE_S: Final = 0.05  # our rule: a relay bounces for a few ms
TURN_GATES: Final = 10  # our rule: the least that a verdict takes


@dataclass(frozen=True, slots=True, kw_only=True)
class InstrumentSpec:
    """One instrument of a bench file: a driver bound to an address, with options.

    Of a scanner, `turn_settle_s` is the time from a closed channel to the first gate,
    in bench seconds, and `turn_gates` how many gates a device has in its turn.
    """

    name: str
    driver: str
    address: str = ""
    options: Mapping[str, object] = field(default_factory=dict)
    timebase_ppm: float | None = None
    timebase_ageing_ppm_per_year: float | None = None
    resolution_hz: float | None = None
    simulated: bool = False
    quantity: str = ""  # what its driver says it measures; `edge` for pulses
    u_c: float | None = None  # of a thermometer: standard uncertainty, C
    calibration_due: str = ""  # ISO date, empty when none is stated
    counting: str = ""
    gapless: bool | None = None
    digits: str = ""
    turn_settle_s: float = TURN_SETTLE_S
    turn_gates: int = TURN_GATES

    @property
    def counts(self) -> Counting:
        """How it counts, as the bench file or its dialect states."""
        return Counting(mode=self.counting, gapless=self.gapless, digits=self.digits)

    @property
    def measured_in_turns(self) -> bool:
        """Whether this is one input of a counter, measured in turns with the others.

        Over USB one program at a time has the counter.
        """
        is_usb = self.address.upper().startswith("USB")
        return self.quantity == "frequency" and "input" in self.options and not is_usb


@dataclass(frozen=True, slots=True, kw_only=True)
class PositionSpec:
    """A place where a device sits: names of the instruments that look at it.

    `span_ppm`: how far from nominal a reading can be, where the bench file states it.
    `through` is the scanner whose `channel` leads from here to the counter; `chamber`,
    `feed` (its supply), `control` and `load` are the setters of what the device has.
    """

    name: str
    frequency: str
    ambient: str | None = None
    reference: str | None = None
    supply: str | None = None
    trim: str | None = None
    divider: float = 1.0
    span_ppm: float | None = None
    through: str | None = None
    channel: int | None = None
    chamber: str | None = None
    feed: str | None = None
    control: str | None = None
    load: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ReferenceSpec:
    """What a reference check may use and where it is wired.

    The counter looks at the reference (`input`, `nominal_hz`), or the host compares two
    pulse trains: `pulses` names the instrument that sees the reference's, `timebase`
    the one that sees the counter's time base divided down to pulses.
    """

    counter: str
    nominal_hz: float = 1.0
    input: int | None = None
    u_s: float | None = None
    u_ppm: float | None = None
    pulses: str | None = None
    timebase: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class AlarmRule:
    """When somebody wants to be told, and how; one `[[alarm]]` of a bench file.

    Parameters
    ----------
    when : str
        `offset_ppm` (of the newest readings, corrected), `jitter_ppm` (rms of the
        newest), `lost_s` (an instrument delivers nothing), `ambient_c`, `disk_mb`
        (room left beside the database) or `forward_s` (since all was sent on).
    above, below : float | None
        Beyond which value it is raised; at least one is given.
    hysteresis : float
        How far the value must come back before it is over.
    hold_s : float
        How long it must be beyond before it is raised, in bench seconds.
    quiet_s : float
        Not raised again within this time of being raised, in bench seconds.
    command : tuple of str
        A program with its arguments, started without a shell; empty for none.
    webhook : str
        Where a JSON document is posted; empty for none.

    """

    when: str
    above: float | None = None
    below: float | None = None
    hysteresis: float = 0.0
    hold_s: float = 0.0
    quiet_s: float = 600.0
    command: tuple[str, ...] = ()
    webhook: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class BurnRule:
    """How a trim code becomes permanent on this bench; `[burn]` of a bench file.

    Parameters
    ----------
    command : tuple of str
        A program with its arguments, started without a shell for each device; `{code}`,
        `{device}`, `{position}` and `{lot}` in a word are filled in.
    power_cycle : tuple of str
        A program that takes the device's supply away and gives it back; empty for none.
    limit_s : float
        Real seconds that either may take before it is ended.

    """

    command: tuple[str, ...]
    power_cycle: tuple[str, ...] = ()
    limit_s: float = 30.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Bench:
    """Instruments and positions: one TOML file."""

    name: str
    instruments: Mapping[str, InstrumentSpec]
    positions: tuple[PositionSpec, ...]
    reference: ReferenceSpec | None = None
    title: str = ""
    file: str = ""
    alarms: tuple[AlarmRule, ...] = ()
    host_clock_ppm: float | None = None  # +- of the host's own clock, where known
    burn: BurnRule | None = None  # of the bench file alone: in no snapshot


@dataclass(frozen=True, slots=True)
class Identity:
    """What an instrument says it is, with the settings it was left in.

    `text` is its own words; `settings` are read back where it allows.
    """

    text: str
    maker: str = ""
    model: str = ""
    serial: str = ""
    firmware: str = ""
    simulated: bool = False
    settings: Mapping[str, str] = field(default_factory=dict)

    @property
    def who(self) -> tuple[str, str, str]:
        """What must not change while a run lasts."""
        return (self.maker, self.model, self.serial)
