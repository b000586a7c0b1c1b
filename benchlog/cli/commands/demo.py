"""`benchlog demo`: the whole path, from a simulated instrument to the verdict."""

import contextlib
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, Final

import click

from benchlog.cli import options
from benchlog.cli.command import command as make_command
from benchlog.cli.printing import say
from benchlog.cli.typed_values import Duration, FiniteNumber
from benchlog.clock import host_deadline, host_sleep
from benchlog.errors import BenchlogError

EXAMPLES = (
    "benchlog demo",
    "benchlog demo --part rc-8mhz-delivered --offset-ppm 4200 --for 30s",
    "benchlog demo --no-screen --json --readings 12",
)
DEVICE: Final = "DEMO-0001"
GATE_S: Final = 0.5
_WISHES: Final = ("part", "nominal", "tolerance", "kind", "offset_ppm", "seed")
_START_S: Final = 20.0
_LOOK_S: Final = 0.02


@make_command(
    "demo",
    examples=EXAMPLES,
    default_db="demo.db beside BENCHLOG_DB, else in your data folder",
)
@options.simulated_part
@options.described
@click.option(
    "--offset-ppm", type=FiniteNumber(), help="True offset of the device; else by seed."
)
@click.option("--seed", type=click.IntRange(0), help="Same seed, same device.")
@click.option("--readings", type=click.IntRange(1, 10**9), help="End after N readings.")
@click.option("--for", "for_s", type=Duration(), help="End after a time, e.g. 30s.")
@options.no_screen
@options.bell
@click.pass_context
def command(
    ctx: click.Context, /, db: Path | None, as_json: bool, **typed: Any
) -> None:
    """Measure a simulated device: real sockets, real database, made-up physics.

    The run is kept in a database of its own, apart from what was really measured. Exit
    codes as for `measure`.
    """
    from benchlog.cli.tasks.bench_and_part import described
    from benchlog.cli.tasks.measuring import Manner, carry_out
    from benchlog.cli.tasks.planning import MeasureRequest

    wish = _wish(typed)
    part = described(typed)["part"] or options.DEMO_PART
    for name in _WISHES:
        del typed[name]
    shown = {name: typed.pop(name) for name in ("no_screen", "bell")}
    manner = Manner(database=demo_database(db), as_json=as_json, **shown)
    with bench_beside(wish, manner.get_ready) as bench:
        say(f"a simulated bench is running; readings go to {manner.database}")
        request = MeasureRequest(
            bench=str(bench), part=part, devices=(DEVICE,), **typed
        )
        ctx.exit(carry_out(request, manner))


def _wish(typed: dict[str, Any]) -> dict[str, str]:
    """Return what the simulated bench is to be, as its options are written."""
    units = {"nominal": "Hz", "tolerance": "ppm"}
    return {
        name: f"{typed[name]} {units.get(name, '')}".rstrip()
        for name in _WISHES
        if typed[name] is not None
    }


def demo_database(db: Path | None) -> Path:
    """Return where a demo keeps its runs: apart from what was really measured."""
    from benchlog.store.files import default_database

    return db if db is not None else default_database().with_name("demo.db")


@contextlib.contextmanager
def bench_beside(wish: dict[str, str], meanwhile: Callable[[], None]) -> Iterator[Path]:
    """Run the simulated instruments in a process of their own; yield a bench file.

    They end when this process does, however it ends; `meanwhile` is called while they
    start. Raises BenchlogError when they do not start.
    """
    with tempfile.TemporaryDirectory(prefix="benchlog-demo-") as folder:
        path = Path(folder) / "demo-bench.toml"
        words = ["simulate", "--until-eof", "--bench-out", str(path)]
        words += ["--gate-s", str(GATE_S)]
        for name, value in wish.items():
            words += [f"--{name.replace('_', '-')}", value]
        log = Path(folder) / "simulate.log"
        with _started(words, log) as process:
            meanwhile()
            _wait_for(path, process, log)
            yield path


@contextlib.contextmanager
def _started(words: list[str], log: Path) -> "Iterator[subprocess.Popen[bytes]]":
    with (
        log.open("wb") as said,
        subprocess.Popen(
            [sys.executable, "-P", "-m", "benchlog.cli", *words],
            stdin=subprocess.PIPE,
            stdout=subprocess.DEVNULL,
            stderr=said,
            start_new_session=True,  # Ctrl-C is for the run; the bench outlives it
        ) as process,
    ):
        try:
            yield process
        finally:
            process.terminate()


def _wait_for(path: Path, process: "subprocess.Popen[bytes]", log: Path) -> None:
    limit = host_deadline(_START_S)
    while not path.exists():
        if process.poll() is not None or limit.passed:
            said = log.read_text(errors="replace").strip() or "it said nothing"
            raise BenchlogError(f"the simulated bench did not start: {said}")
        host_sleep(_LOOK_S)
