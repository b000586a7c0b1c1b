"""Opening a lot with its plan, and finding it again with the plan it has."""

import stat
from collections.abc import Mapping
from contextlib import closing
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Final

from benchlog.catalogue import load_bench
from benchlog.cli.printing import say
from benchlog.cli.tasks.bench_and_part import recalled
from benchlog.cli.tasks.planning import MOST_S, part_of, require_readings, with_gate
from benchlog.clock import host_clock
from benchlog.errors import NotFoundError, UsageError
from benchlog.evaluation.lot_plan import (
    outcomes,
    plan_document,
    plan_from,
    undecided_rule,
)
from benchlog.evaluation.lots import named_lot, no_such_lot
from benchlog.model import (
    Bench,
    Lot,
    Part,
    Purpose,
    RunPlan,
)
from benchlog.model.lots import ORDER
from benchlog.recorder.lot.lot_book import Task
from benchlog.recorder.run.device_settling import MOST_READINGS as MOST_SETTLING
from benchlog.store.reader import Reader
from benchlog.store.writer import Writer
from benchlog.units import counted
from benchlog.verdict.lot.sampling_plan import (
    Plan,
    custom_plan,
    full_plan,
    plan_for,
)
from benchlog.verdict.lot.sampling_table import Severity
from benchlog.verdict.lot.switching_rules import standing_after
from benchlog.verdict.run.early_stop import StopRule
from benchlog.version import __version__

_KEPT: Final = {
    "bench": None,
    "min_readings": 10,
    "max_readings": 300,
    "undecided": "open",
    "gate_s": None,
    "load_pf": None,
    "supply_v": None,
    "over_temperature": False,
    "alone": False,
}
"""What is kept with the plan and taken again when the lot is gone on with."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Wish:
    """An inspection as it was typed; None is what was left out."""

    lot: str
    bench: str | None = None
    part: str | Part | None = None
    lot_size: int | None = None
    aql: float | None = None
    level: str | None = None
    severity: str | None = None
    steady: bool = False
    sample: int | None = None
    accept: int | None = None
    full: bool = False
    undecided: str | None = None
    supplier: str | None = None
    order: str | None = None
    ids: Path | None = None
    auto_ids: str | None = None
    again: bool = False
    min_readings: int | None = None
    max_readings: int | None = None
    positions: tuple[str, ...] = ()
    gate_s: float | None = None
    operator: str | None = None
    note: str | None = None
    load_pf: float | None = None
    supply_v: float | None = None
    over_temperature: bool = False
    alone: bool = False

    @property
    def plans(self) -> bool:
        """Whether anything of a sampling plan was typed."""
        some = (self.lot_size, self.aql, self.level, self.severity, self.sample)
        return self.full or self.accept is not None or any(x is not None for x in some)


def task_for(wish: Wish, database: Path) -> Task:
    """Return the lot to inspect, opened if it is new.

    Raises UsageError when what was typed is no plan, or another one than the lot's.
    """
    part = part_of(wish.part) if wish.part else None
    lot = find_lot(database, wish.lot, part.id if part else None)
    if lot is None or lot.plan is None:
        lot, part = _opened(wish, part, database, lot)
    else:
        _same_plan(wish, lot)
        part = part or part_of_lot(database, lot)
    kept = {**_KEPT, **{k: v for k, v in (lot.plan or {}).items() if k in _KEPT}}
    bench = load_bench(str(wish.bench or kept["bench"]))
    return Task(
        lot=lot,
        plan=plan_from(lot.plan or {}),
        templates=_templates(wish, kept, part, bench),
        rule=undecided_rule(kept),
        prefix=wish.auto_ids or "",
        again=wish.again,
    )


def find_lot(database: Path, name: str, part_id: str | None) -> Lot | None:
    """Return the lot of this name, None when there is none.

    Raises UsageError when several parts have a lot of this name and none was given.
    """
    if not database.exists() or not stat.S_ISREG(database.stat().st_mode):
        return None
    with closing(Reader.open(database)) as reader:
        return named_lot(reader, name, part_id)


def known_lot(database: Path, wish: Wish) -> Lot:
    """Return a lot that was opened before. Raises NotFoundError, UsageError."""
    part_id = part_of(wish.part).id if wish.part else None
    lot = find_lot(database, wish.lot, part_id)
    if lot is None or lot.plan is None:
        lots: list[Lot] = []
        if database.exists():
            with closing(Reader.open(database)) as reader:
                lots = [one for one in reader.lots() if one.plan is not None]
        raise no_such_lot(lots, wish.lot, "(open one with --lot-size and --aql)")
    return lot


def part_of_lot(database: Path, lot: Lot) -> Part:
    """Return the part of a lot as the database has it."""
    with closing(Reader.open(database)) as reader:
        return reader.part(lot.part_id)


def _opened(
    wish: Wish, part: Part | None, database: Path, known: Lot | None
) -> tuple[Lot, Part]:
    """Open a lot that is new, with the plan that was typed."""
    if part is None and known is not None:
        part = part_of_lot(database, known)
    if wish.plans:  # a lot that was mistyped has none, and gets no default either
        found = recalled(bench=wish.bench, part=part)
        wish = replace(wish, bench=found.bench)
        part = part_of(found.part) if found.part else None
    if part is None or wish.bench is None or not wish.plans:
        raise UsageError(
            f"lot {wish.lot!r} is new: it needs --bench, --part, and a plan from "
            "--lot-size with --aql, with --sample and --accept, or with --full"
        )
    load_bench(wish.bench)  # what is wrong with it is said before the lot is opened
    plan = _plan(wish, part, database)
    kept = {name: getattr(wish, name) for name in _KEPT}
    kept["bench"] = str(Path(wish.bench).absolute()) if _is_path(wish) else wish.bench
    typed = {name: value for name, value in kept.items() if value is not None}
    readings = {**_KEPT, **typed}
    StopRule(readings["min_readings"], readings["max_readings"])
    order = {} if wish.order is None else {ORDER: wish.order}
    document = {**plan_document(plan), **_KEPT, **typed, **order}
    lot = Lot(
        lot=wish.lot,
        part_id=part.id,
        supplier=wish.supplier or "",
        size=wish.lot_size,
        plan=document,
    )
    with closing(Writer.open(database, host_clock())) as writer:
        writer.open_lot(lot, part)
    return lot, part


def _is_path(wish: Wish) -> bool:
    return wish.bench is not None and Path(wish.bench).is_file()


def _plan(wish: Wish, part: Part, database: Path) -> Plan:
    if wish.lot_size is None:
        raise UsageError("how many devices does the lot hold? Give --lot-size")
    own, table = wish.sample is not None, wish.aql is not None
    if own + table + wish.full != 1:
        raise UsageError("give one plan: --aql, or --sample with --accept, or --full")
    if wish.full:
        return full_plan(wish.lot_size, wish.accept or 0)
    if wish.sample is not None:
        if wish.accept is None:
            raise UsageError("--sample needs --accept: up to how many defective?")
        return custom_plan(wish.lot_size, wish.sample, wish.accept)
    severity = _severity(wish, part, database)
    return plan_for(wish.lot_size, wish.aql or 0.0, wish.level or "II", severity)


def _severity(wish: Wish, part: Part, database: Path) -> Severity:
    """Return the severity asked for, else by the lots before from this supplier."""
    if wish.severity is not None:
        return Severity(wish.severity)
    if wish.supplier is None or not database.exists():
        return Severity.NORMAL
    with closing(Reader.open(database)) as reader:
        before = [
            (lot, reader.lot_runs(lot))
            for lot in reader.lots(part=part.id)
            if lot.supplier == wish.supplier
        ]
    decided = outcomes(before)
    standing = standing_after(decided, reduced_wanted=wish.steady)
    if decided:
        said = f"after {counted(len(decided), 'lot')} of {part.id} from them"
        say(f"{said}: {standing.why}")
        if standing.reduced_earned:
            say("reduced inspection is earned: --steady takes it")
    if standing.stopped:
        raise UsageError(
            f"{standing.why}; when the supplier has acted go on with "
            "--severity tightened"
        )
    return standing.severity


def _same_plan(wish: Wish, lot: Lot) -> None:
    """Refuse to change the plan of a lot that has one. Raises UsageError."""
    kept: Mapping[str, Any] = {**(lot.plan or {}), **_told_of(lot)}
    typed = {
        "lot_size": wish.lot_size,
        "aql_percent": wish.aql,
        "level": wish.level,
        "severity": wish.severity,
        "sample_size": wish.sample,
        "accept": wish.accept,
        "undecided": wish.undecided,
        "min_readings": wish.min_readings,
        "max_readings": wish.max_readings,
        "over_temperature": wish.over_temperature or None,
        "alone": wish.alone or None,
        "supplier": wish.supplier,
        "order": wish.order,
    }
    for name, value in typed.items():
        if value is not None and name in kept and kept[name] != value:
            raise UsageError(
                f"lot {lot.lot!r} was opened with {name.replace('_', ' ')} "
                f"{kept[name]}, and keeps it; leave the plan's options out"
            )


def _told_of(lot: Lot) -> dict[str, str]:
    """Return who supplied a lot and on which order, in words where nobody told."""
    return {"supplier": lot.supplier or "unknown", "order": lot.order or "unknown"}


def positions_chosen(chosen: tuple[str, ...], bench: Bench) -> tuple[str, ...]:
    """Return these positions. Raises NotFoundError for one that a bench has not."""
    known = [position.name for position in bench.positions]
    for name in chosen:
        if name not in known:
            raise NotFoundError("position", name, known)
    return chosen


def _templates(
    wish: Wish, kept: Mapping[str, Any], part: Part, bench: Bench
) -> tuple[RunPlan, ...]:
    every = tuple(position.name for position in bench.positions)
    chosen = positions_chosen(wish.positions or every, bench)
    if wish.gate_s or kept["gate_s"]:
        bench = with_gate(bench, chosen, wish.gate_s or kept["gate_s"])
    require_readings(bench, chosen, "inspect")
    plan = RunPlan(
        purpose=Purpose.INSPECT,
        device="",
        part=part,
        position="",
        bench=bench,
        lot=wish.lot,
        operator=wish.operator or "",
        note=wish.note or "",
        load_pf=wish.load_pf or kept["load_pf"],
        supply_v=wish.supply_v or kept["supply_v"],
        over_temperature=bool(kept["over_temperature"]),
        alone=bool(kept["alone"]),
        until_clear=True,
        min_readings=int(kept["min_readings"]),
        max_readings=int(kept["max_readings"]),
        max_s=_longest_s(bench, int(kept["max_readings"])),
        software=f"benchlog {__version__}",
    )
    return tuple(replace(plan, position=name) for name in chosen)


def _longest_s(bench: Bench, readings: int) -> float:
    """Return how long one device may take: a bound for a bench that has gone silent."""
    gates = [spec.options.get("gate_s") for spec in bench.instruments.values()]
    gate_s = max([g for g in gates if isinstance(g, int | float)], default=1.0)
    return max(MOST_S, 2.0 * gate_s * (readings + MOST_SETTLING))
