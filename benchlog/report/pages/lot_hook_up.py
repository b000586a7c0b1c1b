"""Who measured a lot, with what: all that its runs were begun with."""

from collections.abc import Iterable, Iterator, Sequence

from benchlog.model import Run, Timebase
from benchlog.report.pages.content import Block, facts, table
from benchlog.units import format_ppm, format_u_ppm, iso_utc


def lot_hook_up(runs: Sequence[Run]) -> Iterator[Block]:
    """Yield who measured with what; where runs differ, all that was used."""
    snapshots = [run.snapshot for run in runs]
    bases = [run.timebase for run in runs if run.timebase is not None]
    yield facts(
        (
            ("Bench", _each(run.bench for run in runs)),
            ("Positions", _each(run.position for run in runs)),
            ("Operator", _each(run.operator for run in runs)),
            ("Note", _each(run.note for run in runs)),
            ("Load capacitance, pF", _each(one.get("load_pf") for one in snapshots)),
            ("Supply, V", _each(one.get("supply_v") for one in snapshots)),
            ("Measured with", _each(one.get("software") for one in snapshots)),
            ("Time base", _each(_base(one) for one in bases)),
        )
    )
    rows = dict.fromkeys(
        (name, one.text + (" (simulated)" if one.simulated else ""), one.serial)
        for run in runs
        for name, one in run.identities.items()
    )
    yield table("Instruments", ("Instrument", "Identity", "Serial number"), rows)


def _base(base: Timebase) -> str:
    until = iso_utc(base.valid_until_utc_ns)
    said = f"{base.status}: offset {format_ppm(base.offset_ppm, base.u_ppm)} ppm, "
    said += f"u {format_u_ppm(base.u_ppm)} ppm (standard)"
    return said + (f", holds until {until[:10]}" if until else "")


def _each(values: Iterable[object]) -> str:
    return "; ".join(dict.fromkeys(str(value) for value in values if value))
