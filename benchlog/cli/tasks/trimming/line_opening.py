"""From what was typed to a line of chips: which lot, bench, part and positions."""

from collections.abc import Sequence
from contextlib import closing
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final

from benchlog.catalogue import load_bench
from benchlog.cli.printing import say
from benchlog.cli.tasks.bench_and_part import recalled, required
from benchlog.cli.tasks.lot_opening import find_lot, part_of_lot, positions_chosen
from benchlog.cli.tasks.planning import (
    MOST_S,
    part_of,
    require_readings,
    with_gate,
)
from benchlog.clock import host_clock
from benchlog.errors import NotFoundError, UsageError
from benchlog.model import Bench, Lot, Part, Purpose, RunPlan
from benchlog.recorder.lot.feeding import AWAY_S, feeds_of, job_of, usual_v
from benchlog.recorder.lot.lot_book import TrimTask
from benchlog.recorder.trim_session import LAST, MOST, search_of
from benchlog.recorder.trimming import trimmer_of
from benchlog.store.reader import Reader
from benchlog.units import as_stated, format_duration, printable
from benchlog.version import __version__

_MOST_CODES: Final = 60  # our rule: twice as many as nearly all of 500 chips needed


@dataclass(frozen=True, slots=True, kw_only=True)
class LineWish:
    """A line of chips as it was typed; None is what was left out."""

    lot: str
    bench: str | None = None
    part: str | None = None
    ids: Path | None = None
    auto_ids: str | None = None
    again: bool = False
    positions: tuple[str, ...] = ()
    start: int | None = None
    burn: bool = False
    gate_s: float | None = None
    operator: str | None = None
    note: str | None = None


def trim_task(wish: LineWish, database: Path) -> TrimTask:
    """Return the line to be trimmed; one that was begun goes on with its bench.

    With `burn` the bench has to be typed, or be your default: a database never names
    what is run. Raises UsageError for what does not fit together.
    """
    typed = part_of(wish.part) if wish.part else None
    lot = find_lot(database, wish.lot, typed.id if typed else None)
    before = None if lot is None else _bench_before(database, lot)
    known = typed or (None if lot is None else part_of_lot(database, lot))
    found = recalled(bench=wish.bench or (None if wish.burn else before), part=known)
    required(bench=found.bench, part=found.part)
    assert found.bench is not None and found.part is not None
    bench, part = load_bench(found.bench), part_of(found.part)
    templates = _templates(wish, part, bench)
    if wish.burn and bench.burn is None:
        raise UsageError(
            f"bench {bench.name!r} does not tell how a code is burned: add a table "
            "[burn] with command = [...] to its file, see `benchlog help "
            "rc-oscillators`"
        )
    supplies = _supplies(templates) if wish.burn else ()
    return TrimTask(
        lot=replace(lot or Lot(lot=wish.lot, part_id=part.id), plan=None),
        plan=None,
        templates=templates,
        prefix=wish.auto_ids or "",
        again=wish.again,
        start=wish.start,
        burn=wish.burn,
        supplies=supplies,
    )


def _supplies(templates: Sequence[RunPlan]) -> tuple[str, ...]:
    """Return the addresses of supplies that are to be held and switched.

    Raises UsageError where one must not be set to what the part needs.
    """
    rule = templates[0].bench.burn
    if rule is None or rule.power_cycle:
        return ()
    plans = {plan.position: plan for plan in templates}
    found = []
    for at, name in feeds_of(templates).items():
        (low, high), nominal_v = job_of(plans[at], name).bounds, usual_v(plans[at])
        if low > high or (nominal_v is not None and not low <= nominal_v <= high):
            needs = "" if nominal_v is None else f", {as_stated(nominal_v)} V is needed"
            raise UsageError(
                f"supply {name!r} of position {at} and part {plans[at].part.id!r} "
                f"together allow {as_stated(low)} to {as_stated(high)} V{needs}"
            )
        found.append(plans[at].bench.instruments[name].address)
    return tuple(found)


def known_line(database: Path, wish: LineWish) -> Lot:
    """Return a lot of which devices were trimmed. Raises NotFoundError, UsageError."""
    part_id = part_of(wish.part).id if wish.part else None
    lot = find_lot(database, wish.lot, part_id)
    if lot is not None and _bench_before(database, lot) is not None:
        return lot
    names: list[str] = []
    if database.exists():
        with closing(Reader.open(database)) as reader:
            names = [
                one.lot for one in reader.lots() if reader.lot_runs(one, Purpose.TRIM)
            ]
    raise NotFoundError("trimmed lot", wish.lot, names, "trim one with --ids")


def _bench_before(database: Path, lot: Lot) -> str | None:
    """Return the bench file of the lot's newest trim, None when it has none."""
    with closing(Reader.open(database)) as reader:
        runs = reader.lot_runs(lot, Purpose.TRIM)
        if not runs:
            return None
        run = reader.run(runs[-1].run)
    file = run.bench_file
    return file if file and Path(file).is_file() else run.bench


def _templates(wish: LineWish, part: Part, bench: Bench) -> tuple[RunPlan, ...]:
    if part.trim is None:
        raise UsageError(
            f"part {part.id!r} states no trim codes; add a [trim] table "
            "with the codes that its data sheet allows"
        )
    search_of(part.trim, wish.start)
    trimmed = [one.name for one in bench.positions if one.trim is not None]
    chosen = positions_chosen(wish.positions or tuple(trimmed), bench)
    if wish.gate_s:
        bench = with_gate(bench, chosen, wish.gate_s)
    require_readings(bench, chosen, "trim")
    plan = RunPlan(
        purpose=Purpose.TRIM,
        device="",
        part=part,
        position="",
        bench=bench,
        lot=wish.lot,
        operator=wish.operator or "",
        note=wish.note or "",
        max_s=_longest_s(bench, part),
        software=f"benchlog {__version__}",
    )
    plans = tuple(replace(plan, position=name) for name in chosen)
    if not plans:
        raise UsageError(
            f"no position of bench {bench.name!r} has trim = ...; name the instrument "
            "that sets the code there"
        )
    setters: dict[str, str] = {}
    for one in plans:  # what is wrong with it is told before the lot is opened
        trimmer_of(one, host_clock())
        setter = next(p.trim for p in bench.positions if p.name == one.position) or ""
        if setter in setters:
            raise UsageError(
                f"positions {setters[setter]} and {one.position} have the same trimmer "
                f"{setter!r}; each needs its own, or choose one with --position"
            )
        setters[setter] = one.position
    return plans


def _longest_s(bench: Bench, part: Part) -> float:
    """Return how long one device may take: a bound for a bench that has gone silent."""
    gates = [spec.options.get("gate_s") for spec in bench.instruments.values()]
    gate_s = max([g for g in gates if isinstance(g, int | float)], default=1.0)
    settle_s = part.trim.settle_s if part.trim else 0.0
    return MOST_S + _MOST_CODES * (2 * MOST * gate_s + settle_s) + 8 * LAST * gate_s


def tell_burning(task: TrimTask) -> None:
    """Say what is run for each device, and on what it is meant to be run."""
    bench = task.templates[0].bench
    rule = bench.burn
    assert rule is not None
    say(f"burning, for good, as {printable(bench.file or bench.name)} tells:")
    say(f"  for each device    {printable(' '.join(rule.command))}")
    if rule.power_cycle:
        say(f"  then, to verify    {printable(' '.join(rule.power_cycle))}")
        return
    for at, name in (feeds := feeds_of(task.templates)).items():
        where = f" at {at}" if len(task.templates) > 1 else ""
        away = format_duration(AWAY_S)
        say(f"  then, to verify{where}    supply {name!r} off for {away}, and on again")
        volts = usual_v(task.templates[0])
        usual = "what it is set to" if volts is None else f"{as_stated(volts)} V"
        say(f"  supply {name!r} is held on at {usual} until the lot ends, then off")
    if not feeds:
        say(
            "  verified without a power cycle: [burn] has no power_cycle, and no "
            "position has a feed of its own"
        )
