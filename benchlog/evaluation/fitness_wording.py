"""What a source is good for, in a sentence for each family of uses.

The answer comes before the table of figures, on the command line and on pages alike.
"""

from collections.abc import Iterable, Iterator, Sequence
from itertools import groupby
from typing import Final

from benchlog.model import Use
from benchlog.units import as_stated, decimals_for, seconds_per_day
from benchlog.verdict.fitness.fitness import HEADROOM, Fitness, FitnessDecision
from benchlog.verdict.fitness.lot_fitness import LotFitness

_FAMILIES: Final = {
    "serial": "serial",
    "clock": "Wall clock",
    "can": "Buses",
    "lin": "Buses",
    "midi": "Buses",
    "dmx512": "Buses",
    "usb": "Buses",
    "ethernet": "Buses",
    "bluetooth": "Radio",
    "ieee802154": "Radio",
    "colour": "Video",
}
_SHORT: Final = {
    "can": "CAN",
    "lin": "LIN",
    "midi": "MIDI",
    "dmx512": "DMX512",
    "usb": "USB",
    "ethernet": "Ethernet",
    "bluetooth": "Bluetooth LE",
    "ieee802154": "IEEE 802.15.4",
    "colour": "colour subcarriers",
}
_ORDER: Final = ("serial", "Wall clock", "Buses", "Radio", "Video")
_CLASSES: Final = (
    (FitnessDecision.FITS, "safe"),
    (FitnessDecision.MARGINAL, "at the edge"),
    (FitnessDecision.UNFIT, "not"),
)
_LEAST_SPAN: Final = 3  # our rule: so many rates in a row are named by their ends


def fitness_answers(
    found: Sequence[Fitness], source: str = "this source"
) -> tuple[str, ...]:
    """Return what a source is good for, a sentence for each family of uses.

    `source` is what the sentences call it.
    """
    families: dict[str, list[Fitness]] = {}
    for one in found:
        prefix = _prefix(one.use)
        families.setdefault(_FAMILIES.get(prefix, prefix), []).append(one)
    order = sorted(families, key=lambda name: (_place(name), name))
    return tuple(
        sentence
        for name in order
        for sentence in _sentences(name, families[name], source)
    )


def margin_rule(found: Sequence[Fitness]) -> str:
    """Return by which rule a use is safe, at the edge or not, and at which ambient."""
    spans = dict.fromkeys(one.range_c for one in found)
    return f"{_worst_case_rule(spans)}{_link_rule(found)}".replace("%", " %")


def _link_rule(found: Sequence[Fitness]) -> str:
    """Return how both ends of a link share what it tolerates, where there is a link."""
    if not any(one.link_ppm for one in found):
        return ""
    return (
        " Both ends of a link share what it tolerates; the other end has what is "
        "recommended for an end, or half, unless it is stated."
    )


def _worst_case_rule(spans: Iterable[tuple[float, float]]) -> str:
    over = " or ".join(
        f"{as_stated(low)} to {as_stated(high)} C" for low, high in spans
    )
    return (
        "Worst case: offset, its uncertainty, restlessness, temperature"
        f"{f' ({over})' if over else ''} and ageing added up, against what each use "
        f"allows. Safe: at least {HEADROOM:.0%} of it is left. At the edge: less is "
        "left, or more is taken than is recommended, or the measurement's uncertainty "
        "decides. Not: more than is allowed."
    )


def oversampling_notes(found: Sequence[Fitness]) -> Iterator[str]:
    """Yield at which rates another oversampling was taken than the first of a use."""
    rates: dict[tuple[str, int], list[str]] = {}
    for one in found:
        link, made = one.use.serial, one.divided
        if link is None or made is None or made.oversampling == link.oversampling:
            continue
        name = one.use.id.removesuffix(f"-{link.baud:.12g}")
        rates.setdefault((name, made.oversampling), []).append(as_stated(link.baud))
    for (name, samples), of_them in rates.items():
        yield f"{name}: {samples} samples a bit at {_listed(of_them)} Bd"


def lot_count_text(one: LotFitness) -> str:
    """Return how many devices fit, `12 of 13`; with those at the edge, `11 (+1)`."""
    edge = f", {one.marginal} at the edge" if one.marginal else ""
    return f"{one.fits} of {one.devices}{edge}"


def _prefix(use: Use) -> str:
    return use.id.partition("-")[0]


def _place(family: str) -> int:
    return _ORDER.index(family) if family in _ORDER else len(_ORDER)


def _sentences(family: str, found: Sequence[Fitness], source: str) -> Iterator[str]:
    if family == "serial":
        yield from _serial(found, source)
        return
    if family == "Wall clock":
        yield _clock(found)
        return
    name = _SHORT.get(family, family)
    yield f"{name[:1].upper()}{name[1:]}: {_classes(found)}"


# --- asynchronous serial: by baud rates ----------------------------------------------


def _serial(found: Sequence[Fitness], source: str) -> Iterator[str]:
    links = [one for one in found if one.use.serial is not None]
    for frame, group in groupby(links, key=_frame):
        yield f"Serial {frame}, from {source}: {_rates(list(group))}"
    others = [one for one in found if one.use.serial is None]
    if others:
        yield f"Serial: {_classes(others)}"


def _frame(one: Fitness) -> str:
    link = one.use.serial
    assert link is not None
    parity = "P" if link.parity else "N"
    ways = [use.serial for use in (one.use, *one.use.alternatives) if use.serial]
    samples = " or ".join(str(way.oversampling) for way in ways)
    return f"{link.data_bits}{parity}1, {samples} samples a bit"


def _rates(found: Sequence[Fitness]) -> str:
    """Return which baud rates are how good; `not beyond` where all above fail."""
    rates = sorted((_baud(one), one.verdict) for one in found)
    usable = [baud for baud, verdict in rates if verdict is not FitnessDecision.UNFIT]
    if not usable:
        return (
            f"at no rate from {as_stated(rates[0][0])} to {as_stated(rates[-1][0])} Bd"
        )
    parts = []
    for verdict, word in _CLASSES:
        of_class = [i for i, (_, other) in enumerate(rates) if other is verdict]
        if not of_class:
            continue
        all_above = rates[of_class[0]][0] > usable[-1]
        if verdict is FitnessDecision.UNFIT and all_above:
            parts.append("not beyond")
        else:
            parts.append(f"{word} at {_listed(_spans(of_class, rates))}")
    parts[0] += " Bd"
    return "; ".join(parts)


def _baud(one: Fitness) -> float:
    assert one.use.serial is not None
    return one.use.serial.baud


def _spans(
    of_class: Sequence[int], rates: Sequence[tuple[float, FitnessDecision]]
) -> list[str]:
    """Return rates as they are named; neighbours by the first and the last of them."""
    said = []
    for _, pairs in groupby(enumerate(of_class), key=lambda pair: pair[1] - pair[0]):
        row = [as_stated(rates[i][0]) for _, i in pairs]
        is_span = len(row) >= _LEAST_SPAN
        said += [f"{row[0]} to {row[-1]}"] if is_span else row
    return said


# --- clocks: by seconds a day --------------------------------------------------------


def _clock(found: Sequence[Fitness]) -> str:
    """Return seconds a day at worst, and which clocks that is good for."""
    worst = _seconds(max(one.worst_ppm for one in found))
    parts = []
    for verdict, word in _CLASSES:
        of_class = [one.tolerance_ppm for one in found if one.verdict is verdict]
        if not of_class:
            continue
        if verdict is FitnessDecision.UNFIT:
            parts.append(f"{word} where {_seconds(max(of_class))} s or less are")
        else:
            parts.append(f"{word} where {_seconds(min(of_class))} s or more are")
    parts[0] += " allowed"
    return f"Wall clock: +-{worst} s a day at worst; {'; '.join(parts)}"


def _seconds(ppm: float) -> str:
    """Return seconds a day with two significant digits, no zeros behind the point."""
    seconds = seconds_per_day(ppm)
    said = f"{seconds:,.{decimals_for(seconds)}f}"
    return said.rstrip("0").rstrip(".") if "." in said else said


# --- everything else: by name --------------------------------------------------------


def _classes(found: Sequence[Fitness]) -> str:
    """Return which uses are how good, by name; a whole kind by its name alone."""
    parts = []
    for verdict, word in _CLASSES:
        of_class = list(_names(found, verdict))
        if of_class:
            parts.append(f"{word} for {_listed(of_class)}")
    return "; ".join(parts)


def _names(found: Sequence[Fitness], verdict: FitnessDecision) -> Iterator[str]:
    for prefix, group in groupby(found, key=lambda one: _prefix(one.use)):
        of_kind = list(group)
        of_class = [one for one in of_kind if one.verdict is verdict]
        if len(of_class) == len(of_kind) and prefix in _SHORT:
            yield _SHORT[prefix]
        else:
            yield from (_title(one.use, of_kind) for one in of_class)


def _title(use: Use, of_kind: Sequence[Fitness]) -> str:
    """Return a title without its details where that is clear among its kind."""
    head, _, rest = use.title.partition(", ")
    heads = [one.use.title.partition(", ")[0] for one in of_kind]
    return f"{head} ({rest})" if rest and heads.count(head) > 1 else head


def _listed(names: Sequence[str]) -> str:
    return " and ".join(filter(None, (", ".join(names[:-1]), names[-1])))
