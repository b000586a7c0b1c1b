"""`benchlog simulate`: the simulated instruments alone, on real sockets."""

import contextlib
import os
import selectors
import sys
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import click

from benchlog.cli import options
from benchlog.cli.command import command as make_command
from benchlog.cli.printing import pairs, print_json, say
from benchlog.cli.typed_seconds import Seconds, SecondsInRange
from benchlog.cli.typed_values import Duration, FiniteNumber
from benchlog.clock import host_clock, host_deadline
from benchlog.errors import UsageError
from benchlog.model import COUNTING, DIGITS

if TYPE_CHECKING:
    from benchlog.simulate import Scenario, SimulatedBench
    from benchlog.simulate.rack_bench import SimulatedRack

EXAMPLES = (
    "benchlog simulate",
    "benchlog simulate --part rc-8mhz-delivered --offset-ppm 4200 --bench-out rc.toml",
    "benchlog simulate --one-counter --bench-out inputs.toml",
    "benchlog simulate --positions 2 --seed 7 --for 1h --truth served.jsonl --json",
    "echo air 40 60 > /dev/tcp/127.0.0.1/PORT      # bash; the port is printed",
)
ORDERS: Final = (
    ("air 40 [60]", "The room is set to 40 C, for 60 s or for good."),
    ("air by 5 [60]", "It is 5 C warmer than now; by -5: colder."),
    ("supply 2.8", "The supply is turned to 2.8 V."),
    ("device A warm 5 [60]", "The device at A gets 5 C warmer, as by a finger."),
    ("device A step 2", "It jumps by 2 ppm."),
    ("device A remove", "It is taken out: no signal."),
    ("device A insert 12.5", "Another one, 12.5 ppm off, is put in."),
    ("chip burn 57", "A programmer burns code 57 into the chip at the trimmer."),
    ("chip power-cycle", "The chip's supply is taken away and given back."),
    ("counter late 1.5", "Its next answer comes 1.5 s late."),
    ("counter half", "An answer is cut off."),
    ("counter garbage", "An answer is noise."),
    ("counter silent always", "No answer any more."),
    ("counter two", "An answer comes twice."),
    ("counter cut", "The connection ends within an answer."),
    ("counter no-signal x5", "Five readings without a signal."),
    ("counter overload", "A reading beyond its range."),
    ("counter factor 2", "A reading twice as large as it is."),
    ("counter refuse-gate", "The next gate is refused."),
    ("counter identity TEXT", "It says that it is TEXT."),
    ("counter drop", "All its connections are closed."),
    ("counter deaf 3", "It does not listen for 3 s."),
    ("receiver unfixed 60", "A receiver has no fix for 60 s."),
    ("counter ok", "It behaves again."),
    ("counter status", "What waits is printed."),
    ("state", "Of a rack: what everything is truly set to."),
    ("chamber dead 8", "Of a rack: no mains for 8 s; it forgets its set point."),
    ("list", "Names and addresses."),
    ("truth counter 10", "The last ten values that were served."),
)
"""What the control port understands, for people; `simulate/orders.py` does it."""
WAYS: Final = ("tcp", "serial", "hislip", "vxi11", "line", "line-tcp", "rfc2217")
ASKED: Final = ("tcp", "serial", "hislip", "vxi11")
PULSE_WAYS: Final = ("line", "rfc2217")
WIRINGS: Final = ("none", "period", "frequency", "pulses")
_LOOK_S: Final = 1.0


@make_command("simulate", examples=EXAMPLES)
@options.simulated_part
@options.described
@click.option(
    "--offset-ppm",
    type=FiniteNumber(),
    help="True offset of the device at its reference temperature; else by seed.",
)
@click.option(
    "--seed",
    type=click.IntRange(0),
    default=1,
    show_default=True,
    help="Same seed, same devices and noise.",
)
@click.option(
    "--positions",
    type=click.IntRange(1, 8),
    default=1,
    show_default=True,
    help="How many devices, each with a counter.",
)
@click.option(
    "--one-counter",
    is_flag=True,
    help="Both devices at inputs of the same counter.",
)
@click.option(
    "--via",
    type=click.Choice(WAYS),
    default=WAYS[0],
    show_default=True,
    help="How the counter is reached.",
)
@click.option(
    "--gate-s",
    type=Seconds(above=0),
    default=1.0,
    show_default=True,
    help="The counter's gate.",
)
@click.option(
    "--streams",
    is_flag=True,
    help="The counter measures gate after gate and hands over blocks of readings.",
)
@click.option(
    "--counting",
    type=click.Choice(COUNTING),
    default=COUNTING[0],
    show_default=True,
    help="How the counter makes a frequency of its stamps.",
)
@click.option(
    "--stamp-jitter-s",
    type=SecondsInRange(0, 1000),
    default=0.0,
    show_default=True,
    help="White noise of each of them, rms.",
)
@click.option(
    "--dead-time-s",
    type=SecondsInRange(0, 1000),
    default=0.0,
    show_default=True,
    help="Between the counter's gates.",
)
@click.option(
    "--digits",
    type=click.Choice(DIGITS),
    default=DIGITS[0],
    show_default=True,
    help="Whether the last digit shown is rounded, or the rest cut off.",
)
@click.option(
    "--divider",
    type=FiniteNumber(above=0),
    default=1.0,
    show_default=True,
    help="The device's output is nominal/divider.",
)
@click.option(
    "--trimmer", is_flag=True, help="Put firmware there that sets a trim code."
)
@click.option(
    "--feed",
    is_flag=True,
    help="With --trimmer: a supply feeds the chip, which can be set.",
)
@click.option("--supply-meter", is_flag=True, help="Put a supply voltmeter there, too.")
@click.option(
    "--reference",
    type=click.Choice(WIRINGS),
    default=WIRINGS[0],
    show_default=True,
    help="Wire a reference to the counter, in one of three ways.",
)
@click.option(
    "--by-pulses",
    is_flag=True,
    help="Divide the device's output to pulses: no counter measures it.",
)
@click.option(
    "--pulses-via",
    type=click.Choice(PULSE_WAYS),
    default=PULSE_WAYS[0],
    show_default=True,
    help="Pulses as bytes on a pseudo terminal, or on a network port's carrier line.",
)
@click.option(
    "--timebase-ppm",
    type=FiniteNumber(),
    help="True offset of the counter's time base.",
)
@click.option(
    "--host-ppm",
    type=FiniteNumber(),
    default=0.0,
    show_default=True,
    help="How far off this computer's clock is, as pulses tell.",
)
@click.option(
    "--rack",
    type=click.IntRange(1, 64),
    metavar="N",
    help="A chamber, a supply, a scanner and N devices instead of a bench.",
)
@click.option("--for", "for_s", type=Duration(), help="End after a time, e.g. 10m.")
@click.option(
    "--truth",
    type=click.Path(path_type=Path, dir_okay=False, writable=True),
    metavar="FILE",
    help="Append every value served, one JSON object a line.",
)
@click.option(
    "--bench-out",
    type=click.Path(path_type=Path, dir_okay=False, writable=True),
    metavar="FILE",
    help="Write a bench file for these instruments.",
)
@click.option("--until-eof", is_flag=True, help="End when standard input closes.")
def command(db: Path | None, as_json: bool, **typed: Any) -> None:
    """Run simulated instruments until Ctrl-C; print their addresses.

    They answer over real sockets, begin their identity with SIMULATED, and what is
    measured on them is marked as simulated everywhere. The line `control` is a port of
    this computer that takes orders, one a line: what happens to room, supply and
    devices, and how instruments misbehave. It answers `ok`, or with a sentence.
    """
    del db
    from benchlog.store.whole_files import refuse_records

    bench_out, limit_s = typed["bench_out"], _real_s(typed["for_s"])
    for written in filter(None, (bench_out, typed["truth"])):
        refuse_records(written)
    serving = simulated_rack(typed) if typed["rack"] else simulated(typed)
    with serving as bench:
        addresses = bench.addresses()
        if bench_out is not None:
            write_whole(bench_out, bench.bench_toml())
            say(f"bench file written: {bench_out}")
        if as_json:
            print_json(addresses, None)  # its keys are names
        else:
            click.echo(pairs(addresses.items()))
        sys.stdout.flush()
        wait_for_end(limit_s, until_eof=typed["until_eof"])


command.more = (
    "Orders at the control port (always or x3 behind a fault: how often)",
    ORDERS,
)


@contextlib.contextmanager
def simulated_rack(typed: Mapping[str, Any]) -> "Iterator[SimulatedRack]":
    """Serve the rack that was asked for within a `with` block."""
    from dataclasses import replace

    from benchlog.cli.tasks.bench_and_part import simulated_part
    from benchlog.simulate.rack_bench import SimulatedRack
    from benchlog.simulate.rack_scenario import rack_scenario

    scenario = rack_scenario(simulated_part(typed), typed["rack"], typed["seed"])
    scenario = replace(scenario, gate_s=typed["gate_s"])
    with SimulatedRack(scenario, host_clock(), truth=typed["truth"]) as rack:
        yield rack


def _real_s(bench_s: float | None) -> float | None:
    return None if bench_s is None else host_clock().real_s(bench_s)


@contextlib.contextmanager
def simulated(typed: Mapping[str, Any]) -> "Iterator[SimulatedBench]":
    """Serve the bench that was asked for within a `with` block."""
    from dataclasses import replace

    from benchlog.cli.tasks.bench_and_part import simulated_part
    from benchlog.simulate import DemoBench, SimulatedBench, Via, demo_scenario

    beside = DemoBench(
        via=Via(typed["via"]),
        gate_s=typed["gate_s"],
        divider=typed["divider"],
        positions=max(typed["positions"], 1 + typed["one_counter"]),
        one_counter=typed["one_counter"],
        supply_meter=typed["supply_meter"],
        trimmer=typed["trimmer"],
        feed=typed["feed"],
        streams=typed["streams"],
        timebase_ppm=typed["timebase_ppm"],
    )
    kind = ("counting", "stamp_jitter_s", "dead_time_s", "digits")
    counter = replace(beside.counter, **{name: typed[name] for name in kind})
    beside = replace(beside, counter=counter)
    if typed["one_counter"] and typed["positions"] > 2:
        raise UsageError("the simulated counter has two inputs: --one-counter is for 2")
    if typed["streams"] and (typed["one_counter"] or typed["via"] not in ASKED):
        raise UsageError(
            f"--streams is for one device a counter, reached by {', '.join(ASKED)}"
        )
    if typed["one_counter"] and typed["reference"] in ("period", "frequency"):
        raise UsageError(
            "with --one-counter both inputs have a device: the reference has none; use "
            "--reference pulses, or two counters with --positions 2"
        )
    scenario = demo_scenario(
        simulated_part(typed),
        seed=typed["seed"],
        offset_ppm=typed["offset_ppm"],
        bench=beside,
    )
    scenario = _with_pulses(scenario, typed)
    with SimulatedBench(scenario, host_clock(), truth=typed["truth"]) as bench:
        yield bench


def _with_pulses(scenario: "Scenario", typed: Mapping[str, Any]) -> "Scenario":
    """Add what was asked for of references and pulses."""
    from dataclasses import replace

    from benchlog.simulate.ready_scenarios import by_pulses, with_reference
    from benchlog.simulate.scenario import ReceiverAt, Via, Wiring

    via = Via(typed["pulses_via"])
    receiver = ReceiverAt(via=via)
    if typed["by_pulses"]:
        scenario = by_pulses(scenario, receiver=receiver)
    scenario = with_reference(scenario, Wiring(typed["reference"]), receiver)
    pulses = tuple(replace(one, via=via) for one in scenario.pulses)
    return replace(scenario, pulses=pulses, host_ppm=typed["host_ppm"])


def write_whole(path: Path, text: str) -> None:
    """Write a file that whoever waits for it never sees half written.

    Raises UsageError when it cannot be written.
    """
    half = path.with_name(f"{path.name}.{os.getpid()}.new")
    try:
        half.write_text(text, encoding="utf-8")
        half.replace(path)
    except OSError as error:
        raise UsageError(
            f"{path} cannot be written: {error.strerror}; name another file"
        ) from error


def wait_for_end(limit_s: float | None, *, until_eof: bool) -> None:
    """Wait for Ctrl-C, SIGTERM, the end of `limit_s` or of standard input."""
    from benchlog.recorder.signals import Signals

    limit = None if limit_s is None else host_deadline(limit_s)
    with Signals() as signals, selectors.SelectSelector() as selector:
        selector.register(signals, selectors.EVENT_READ)
        if until_eof:
            selector.register(sys.stdin.fileno(), selectors.EVENT_READ)
        while signals.caught is None and not (limit and limit.passed):
            left_s = _LOOK_S if limit is None else min(_LOOK_S, limit.left_s())
            for key, _ in selector.select(left_s):
                if key.fileobj is signals:
                    signals.drain()
                elif not os.read(key.fd, 4096):
                    return
