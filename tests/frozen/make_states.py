"""How `states.db` and `lots.db` of the corpus were made: what the first corpus lacked.

    python tests/frozen/make_states.py FOLDER

Both were written by the version before the house moved, and are kept as they are; this
is not run again except on purpose. `states.db` has reference checks (good, voided,
contradicted), runs corrected by them, a response to warmth and supply, a trim, pulses
against the host alone, and runs that ended in other ways. `lots.db` has a lot in each
state. Devices, readings and people are invented.
"""

import sqlite3
import sys
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

import pulse_makers
from screen import scenes
from screen.scenes import QUARTZ, Scene, Stage
from seeds import seeded_generator

from benchlog.model import (
    EDGE,
    Bench,
    Condition,
    Edge,
    Flag,
    Identity,
    InstrumentSpec,
    Kind,
    Limits,
    Lot,
    Part,
    PositionSpec,
    Purpose,
    ReferenceCheck,
    RunPlan,
    Timebase,
)
from benchlog.store.reader import Reader
from benchlog.store.rows import Amendment

NS = 10**9
DAY_NS = 86_400 * NS
FIRST_NS = 1_900_000_000 * NS
COUNTER = Identity(
    text="made up", maker="SIMULATED", model="C1", serial="1", simulated=True
)
RC = Part(
    id="rc-8mhz",
    title="8 MHz RC oscillator",
    kind=Kind.RC,
    nominal_hz=8e6,
    limits=Limits(tolerance_ppm=20_000.0),
)
TEN_MHZ = Part(
    id="reference-10mhz",
    title="10 MHz reference",
    kind=Kind.QUARTZ,
    nominal_hz=1e7,
    limits=Limits(tolerance_ppm=float("inf")),
)


@dataclass
class CheckScene(Scene):
    """A run that checks the counter's time base."""

    def plan(self) -> RunPlan:
        return replace(super().plan(), checks="counter")


def on_day(day: float) -> None:
    """Let the scenes that follow begin on a day, counted from the first."""
    scenes.START_NS = FIRST_NS + round(day * DAY_NS)


def check(stage: Stage, day: float, ppm: float, u_ppm: float) -> ReferenceCheck:
    """Measure a reference on a day and keep a check of it for 30 days."""
    on_day(day)
    run = stage.play(
        CheckScene(
            device="reference as counter reads it",
            part=TEN_MHZ,
            purpose=Purpose.REFCHECK,
            offset_ppm=-ppm,
            scatter_ppm=u_ppm,
            timebase=Timebase(
                status="assumed", offset_ppm=0.0, u_ppm=0.0, text="not corrected"
            ),
        ),
        end=False,
    )
    stage.writer.end_run(run, "time reached")
    found = ReferenceCheck(
        instrument=COUNTER,
        offset_ppm=ppm,
        u_ppm=u_ppm,
        method="by the reference",
        at_utc_ns=scenes.START_NS + 60 * NS,
        valid_until_utc_ns=scenes.START_NS + 30 * DAY_NS,
        run_id=run,
    )
    stage.writer.add_reference_check(found)
    return found


def by(found: ReferenceCheck) -> Timebase:
    return Timebase(
        status="checked",
        offset_ppm=found.offset_ppm,
        u_ppm=found.u_ppm,
        valid_until_utc_ns=found.valid_until_utc_ns,
        text="checked by the reference",
    )


def checks(stage: Stage) -> None:
    """Runs 1 to 9: checks, runs by them, one check voided, one contradicted."""
    good = check(stage, 0, 0.310, 0.002)
    on_day(1)
    stage.play(Scene(device="BY-GOOD", timebase=by(good), seed=21))
    voided = check(stage, 2, 0.312, 0.002)
    on_day(3)
    stage.play(Scene(device="BY-VOIDED", timebase=by(voided), seed=22))
    stage.writer.amend(
        voided.run_id,
        Amendment(kind="void", reason="the reference was not locked", operator="mk"),
    )
    moved = check(stage, 5, 0.900, 0.002)
    on_day(6)
    stage.play(Scene(device="BY-MOVED", timebase=by(moved), seed=23))
    check(stage, 7, 0.311, 0.003)
    on_day(8)
    stale = Timebase(
        status="stated",
        offset_ppm=0.0,
        u_ppm=0.03,
        text="stated +-0.05 ppm in the bench file; the check is no longer valid",
        stale=True,
    )
    stage.play(Scene(device="BY-STALE", timebase=stale, seed=24))
    check(stage, 9, 0.3, 40.0)


def responses(stage: Stage) -> None:
    """Runs 10 and 11: warmth and supply; a trim of few codes."""
    on_day(10)
    warm = Scene(
        device="RC-WARM",
        part=RC,
        offset_ppm=900.0,
        scatter_ppm=5.0,
        readings=300,
        seed=25,
        shape=lambda t: (
            np.where(t < 60, 0.0, 2_500.0 * (1 - np.exp(-(t - 60) / 8)))
            + np.where(t < 180, 0.0, 200.0)
        ),
        events=((60.0, "mark", "warming"), (181.0, "mark", "supply 2.8 V")),
        until_clear=False,
        ended="time reached",
    )
    run = stage.begin(warm)
    values = [
        replace(one, ambient_c=25.0 if n < 60 else 35.0 - 10.0 * 0.882 ** (n - 60))
        for n, one in enumerate(warm.values(300))
    ]
    stage.readings(run, values)
    for at_s, kind, text in warm.events:
        stage.event(run, at_s, kind, text)
    with Reader.open(stage.database) as reader:
        (segment,) = (one.id for one in reader.segments(run))
    stage.writer.commit(
        [
            (
                run,
                segment,
                Condition(
                    utc_ns=one.utc_ns,
                    mono_ns=one.mono_ns,
                    quantity="supply",
                    value=3.3 if n < 180 else 2.8,
                    unit="V",
                    instrument="meter",
                    flags=Flag.SIMULATED,
                ),
            )
            for n, one in enumerate(values)
            if n % 10 == 0
        ]
    )
    stage.end(run, "time reached")
    on_day(11)
    stage.play(
        Scene(
            device="RC-TRIM",
            part=RC,
            purpose=Purpose.TRIM,
            offset_ppm=17.2,
            scatter_ppm=8.0,
            readings=40,
            seed=26,
            events=(
                (5.0, "trim", "code 80: -1,234.5 ppm"),
                (15.0, "trim", "code 81: +17.2 ppm"),
                (39.0, "trim", "best code 81 is set, for now: burn it yourself"),
            ),
            ended="best code found",
        )
    )


def by_pulses(stage: Stage) -> None:
    """Runs 12 and 13: pulses against the host alone; at twice the stated rate."""
    fork = Part(
        id="fork",
        title="32 kHz clock crystal",
        kind=Kind.TUNING_FORK,
        nominal_hz=32_768.0,
        limits=Limits(tolerance_ppm=20.0),
    )
    bench = Bench(
        name="by-pulses",
        instruments={
            "divided": InstrumentSpec(
                name="divided", driver="pulse-edge", address="/dev/x", quantity=EDGE
            )
        },
        positions=(PositionSpec(name="A", frequency="divided", divider=32_768.0),),
    )
    host = Timebase(
        status="assumed",
        offset_ppm=0.0,
        u_ppm=100 / 3**0.5,
        text="assumed +-100 ppm: this computer's clock, not synchronised",
    )
    for day, seconds in ((12, 1.0), (13, 0.5)):
        on_day(day)
        plan = RunPlan(
            purpose=Purpose.MEASURE,
            device=f"FORK-{day}",
            part=fork,
            position="A",
            bench=bench,
            max_readings=120,
            max_s=900.0,
        )
        stage.clock.now_utc_ns, stage.clock.now_mono_ns = scenes.START_NS, 10**12
        who = Identity(text="pulses at divided", serial="divided", simulated=True)
        run = stage.writer.begin_run(plan, {"divided": who}, host)
        segment = stage.writer.begin_segment(run)
        rng = seeded_generator(day)
        source = pulse_makers.Source(
            3.0, missed=0.02, doubled=0.01, nominal_s=seconds, phase_s=0.3
        )
        shaken = pulse_makers.Host(ppm=40, wander_ppm=0.2, jitter_s=50e-6)
        (stamps,) = pulse_makers.trains([source], shaken, 120, rng)
        edges = [
            Edge("divided", scenes.START_NS + int(at), int(at), n, Flag.SIMULATED)
            for n, at in enumerate(stamps, start=1)
        ]
        stage.writer.commit([(run, segment, edge) for edge in edges])
        stage.clock.now_mono_ns, stage.clock.now_utc_ns = (
            edges[-1].mono_ns,
            edges[-1].utc_ns,
        )
        stage.writer.end_run(run, "readings reached")


def endings(stage: Stage) -> None:
    """Runs 14 to 17: interrupted, without readings, not settled, corrected twice."""
    on_day(14)
    stage.play(Scene(device="CUT-OFF", readings=7, seed=27, ended="interrupted"))
    on_day(15)
    stage.play(Scene(device="SILENT", readings=0, ended="stopped"))
    on_day(16)
    ramp = Scene(
        device="ramp as typd",
        part=RC,
        offset_ppm=-400.0,
        scatter_ppm=4.0,
        readings=240,
        seed=28,
        simulated=False,
        until_clear=False,
        ended="time reached",
        shape=lambda t: 60.0 * 10.0 * np.sin(t / 240 * 2 * np.pi),
    )
    run = stage.begin(ramp)
    stage.readings(
        run,
        [
            replace(
                one,
                ambient_c=25.0 + 10.0 * float(np.sin((n + 1) / 240 * 2 * np.pi)),
                flags=Flag.SETTLING if n < 20 else Flag.NONE,
            )
            for n, one in enumerate(ramp.values(240))
        ],
    )
    stage.end(run, "time reached")
    for old, new in (("ramp as typd", "RC-RAMP"), ("RC-RAMP", "RC-RAMP-2")):
        stage.writer.amend(
            run, Amendment(kind="device", reason="mistyped", old=old, new=new)
        )
    stage.writer.amend(run, Amendment(kind="void", reason="probe\x1b[31m fell off"))
    stage.writer.amend(run, Amendment(kind="restore", reason="it had not"))


PLAN = {
    "lot_size": 90,
    "sample_size": 5,
    "accept": 1,
    "reject": 2,
    "kind": "custom",
    "level": None,
    "aql_percent": None,
    "severity": None,
    "code_letter": None,
    "used_letter": None,
    "full": False,
    "status": None,
    "doubts": [],
}
LOTS = {
    "ACCEPTED": (1.5, -2.0, 44.0, 3.0, 0.5),
    "REJECTED": (41.0, -2.0, 44.0),
    "OPEN": (1.5, 30.0, 2.0),
    "TROUBLE": (1.5, 2.5, 2.0, -1.0, 4.0, 2.2),
}


def lots(stage: Stage) -> None:
    """A lot accepted, one rejected, one open; one with a device set aside, a damaged
    one, a void run and a device that was measured again.
    """
    for day, (name, offsets) in enumerate(LOTS.items()):
        on_day(day)
        stage.clock.now_utc_ns = scenes.START_NS
        lot = Lot(
            lot=name,
            part_id=QUARTZ.id,
            supplier="Invented & Sons",
            size=90,
            plan=PLAN,
        )
        stage.writer.open_lot(lot, QUARTZ)
        for number, ppm in enumerate(offsets):
            on_day(day + number * 120 / 86_400)
            trouble = {}
            if name == "TROUBLE":
                trouble = {
                    1: {"events": ((3.0, "set-aside", "the wrong tray"),)},
                    2: {"events": ((3.0, "damaged", "a leg broke off"),)},
                }.get(number, {})
            device = "4" if name == "TROUBLE" and number == 5 else str(number)
            run = stage.play(
                Scene(
                    device=f"{name[0]}-{device}",
                    purpose=Purpose.INSPECT,
                    lot=name,
                    offset_ppm=ppm,
                    scatter_ppm=0.02,
                    readings=12,
                    seed=100 * day + number,
                    position="AB"[number % 2],
                    **trouble,
                )
            )
            if name == "TROUBLE" and number == 3:
                stage.writer.amend(run, Amendment(kind="void", reason="not hooked up"))


def main(folder: Path) -> None:
    """Write both databases; shrink them."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, makers in (
        ("states", (checks, responses, by_pulses, endings)),
        ("lots", (lots,)),
    ):
        stage = Stage(folder / f"{name}.db")
        for make in makers:
            make(stage)
        stage.close()
        with sqlite3.connect(folder / f"{name}.db") as file:
            file.execute("vacuum")


if __name__ == "__main__":
    main(Path(sys.argv[1]))
