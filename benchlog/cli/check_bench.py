"""`benchlog check-bench`: every instrument once, all of them reported."""

from collections.abc import Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final

import click

from benchlog.cli.command import command as make_command
from benchlog.cli.printing import print_json, say, table
from benchlog.cli.values import Listed

if TYPE_CHECKING:
    from benchlog.model import InstrumentSpec
    from benchlog.recorder.trial import Tried

EXAMPLES = (
    "benchlog check-bench corner-bench",
    "benchlog check-bench ./benches/corner-bench.toml --json",
)
_AT_ONCE: Final = 4
_ANSWERS: Final = frozenset({"no-signal", "overload"})


@dataclass(frozen=True, slots=True)
class Checked:
    """What one instrument gave; the JSON row of the contract, plus `unit`."""

    instrument: str
    driver: str
    address: str
    ok: bool
    identity: str | None
    value: float | None
    unit: str | None
    error: str | None


@make_command("check-bench", examples=EXAMPLES)
@click.argument("bench", type=Listed("benches"))
@click.pass_context
def command(ctx: click.Context, bench: str, db: Path | None, as_json: bool) -> None:
    """Ask each instrument of BENCH (a name or a path) who it is, and for one reading.

    An instrument that says "no signal" answers. Exit code 1 if one does not.
    """
    del db
    from benchlog.catalogue import load_bench

    instruments = load_bench(bench).instruments
    names = ", ".join(instruments)
    say(f"asking {names}")
    checked = check_all(instruments)
    if as_json:
        print_json(checked)
    else:
        click.echo(_table(checked))
        for row in checked:
            if row.error:
                say(f"{row.instrument}: {row.error}")
    ctx.exit(0 if all(row.ok for row in checked) else 1)


def check_all(instruments: "Mapping[str, InstrumentSpec]") -> list[Checked]:
    """Try each instrument in a process of its own, a few at a time."""
    from benchlog.clock import host_clock
    from benchlog.recorder.trial import try_instrument

    clock = host_clock()

    def check(spec: "InstrumentSpec") -> Checked:
        return _checked(spec, try_instrument(spec, clock))

    with ThreadPoolExecutor(_AT_ONCE) as pool:
        return list(pool.map(check, instruments.values()))


def _checked(spec: "InstrumentSpec", tried: "Tried") -> Checked:
    error, sample = tried.error, tried.sample
    answers = tried.identity is not None and (error is None or error.kind in _ANSWERS)
    return Checked(
        instrument=spec.name,
        driver=spec.driver,
        address=spec.address,
        ok=answers,
        identity=tried.identity.text if tried.identity else None,
        value=sample.value if sample else None,
        unit=sample.unit if sample else None,
        error=str(error) if error else None,
    )


def _table(checked: list[Checked]) -> str:
    rows = [
        (
            row.instrument,
            "answers" if row.ok else "NO ANSWER",
            "-" if row.value is None else f"{row.value:.12g} {row.unit}",
            row.driver,
            row.address or "-",
            row.identity or "-",
        )
        for row in checked
    ]
    headers = ("instrument", "state", "reading", "driver", "address", "identity")
    return table(headers, rows, "llr")
