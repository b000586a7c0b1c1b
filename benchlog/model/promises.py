"""What data sheets promise and uses want, as frozen data; units are in the names."""

from dataclasses import dataclass

from benchlog.model.kinds import Kind


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """Promised limits, in ppm of nominal.

    `stability_ppm` holds over `range_c` relative to the value at `reference_c`;
    ambient counts as the reference temperature within `reference_band_c` of it.

    `hysteresis_ppm` is the largest difference between rising and falling temperature,
    `retrace_ppm` the change after a day without power, `supply_ppm` and `load_ppm` the
    change over the ranges of supply and load (+-); after `warm_up_s` a device is within
    `warm_up_ppm` of its value after an hour. `pull_ppm` is the least adjustment either
    way over the control voltage's range, `linearity_percent` of that range.
    """

    tolerance_ppm: float
    reference_c: float = 25.0
    reference_band_c: float = 3.0
    stability_ppm: float | None = None
    range_c: tuple[float, float] | None = None
    ageing_ppm_per_year: float | None = None
    jitter_ppm: float | None = None
    hysteresis_ppm: float | None = None
    retrace_ppm: float | None = None
    warm_up_ppm: float | None = None
    warm_up_s: float | None = None
    start_up_s: float | None = None
    supply_ppm: float | None = None
    load_ppm: float | None = None
    pull_ppm: float | None = None
    linearity_percent: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class TemperatureLaw:
    """How frequency follows temperature: ppm = sum of coefficient * (T - T0)^k.

    `law` is `line`, `parabola` or `cubic`; unused coefficients are zero.
    """

    law: str
    reference_c: float
    linear_ppm_per_c: float = 0.0
    quadratic_ppm_per_c2: float = 0.0
    cubic_ppm_per_c3: float = 0.0


@dataclass(frozen=True, slots=True)
class Load:
    """The crystal's equivalent circuit, for what a load capacitance does to it."""

    load_pf: float | None = None
    shunt_c0_pf: float | None = None
    motional_c1_ff: float | None = None
    range_pf: tuple[float, float] | None = None


@dataclass(frozen=True, slots=True)
class OperatingRange:
    """A voltage that a part is made for, and the range that its data sheet allows."""

    nominal_v: float
    range_v: tuple[float, float]


@dataclass(frozen=True, slots=True)
class TrimRange:
    """The trim codes of an RC oscillator that may be set.

    Parameters
    ----------
    safe : tuple of (low, high)
        Code intervals within which the chip keeps working; inclusive. A register with
        two overlapping ranges has two.
    fastest_ppm : float | None
        A chip that runs faster than this may misbehave while it programs itself: the
        search steps back at once and goes no further that way.
    settle_s : float
        Time for the oscillator to settle after a new code.

    """

    safe: tuple[tuple[int, int], ...]
    fastest_ppm: float | None = None
    settle_s: float = 0.05


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """What a data sheet promises for one part."""

    id: str
    title: str
    kind: Kind
    nominal_hz: float
    limits: Limits
    temperature: TemperatureLaw | None = None
    load: Load = Load()
    trim: TrimRange | None = None
    supply: OperatingRange | None = None
    control: OperatingRange | None = None
    notes: str = ""
    file: str = ""


@dataclass(frozen=True, slots=True)
class SerialLink:
    """Asynchronous serial: a divisor of the source's frequency makes the baud rate.

    `oversampling` is the receiver's samples for each bit, 16 or 8.
    """

    baud: float
    oversampling: int = 16
    data_bits: int = 8
    parity: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class BitTiming:
    """A CAN bit in time quanta: phase segments 1 and 2, synchronisation jump width."""

    bit_rate: float
    quanta: int
    phase1: int
    phase2: int
    jump: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Synchronisation:
    """How a receiver takes over the sender's rate before the data.

    `capture_ppm` is how far it may be off beforehand; the field it counts lasts `bits`
    bits and is counted in `samples` parts of a bit.
    """

    capture_ppm: float
    bits: int
    samples: int = 16


@dataclass(frozen=True, slots=True, kw_only=True)
class Use:
    """What an application tolerates, with the source of that and what is known of it.

    Parameters
    ----------
    tolerance_ppm : float | None
        Stated outright; None where `serial` or `bits` make it by their formula.
    comfortable_ppm : float | None
        What the source recommends to stay within; beyond it is marginal.
    shared : bool
        The tolerance is for the difference of two ends, not for one end's offset.
    averages : bool
        Only the mean over a long time matters (a wall clock).
    synchronisation : Synchronisation | None
        The rate is taken over from the other end: what does not change meanwhile is
        not charged.
    alternatives : tuple of Use
        The same use at another oversampling, where firmware may take either.
    status : str
        `verified`, `derived`, `secondary`, `memory` or `practice`.

    """

    id: str
    title: str
    source: str
    status: str
    tolerance_ppm: float | None = None
    comfortable_ppm: float | None = None
    shared: bool = False
    averages: bool = False
    serial: SerialLink | None = None
    bits: BitTiming | None = None
    synchronisation: Synchronisation | None = None
    alternatives: "tuple[Use, ...]" = ()
    note: str = ""
    file: str = ""
