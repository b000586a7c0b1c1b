"""How the corpus was made: databases of an earlier version, kept as they are.

    python tests/frozen/make_corpus.py FOLDER

It is not run again except on purpose: what it made once proves that later versions read
what earlier ones wrote, and tell the same of it. `day.db`, `trial.db` and the exports
`KX-0412.*` come from the commands of the README, run in order on a simulated bench.
Devices, readings and people are invented.
"""

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from exchange.factory import bench_database
from pages.page_making import HOSTILE, series, write_run
from pulse_scene import PulseScene
from screen.scenes import CLOCK, STATED, Scene, Stage
from store.making import PART, begin, rows

from benchlog.clock import VirtualClock
from benchlog.model import Kind, Limits, Part, Purpose, Timebase
from benchlog.store import opening as migrate
from benchlog.store.schema import steps as schema
from benchlog.store.writer import Writer

RC = Part(
    id="rc-8mhz",
    title="8 MHz RC oscillator",
    kind=Kind.RC,
    nominal_hz=8e6,
    limits=Limits(tolerance_ppm=20_000.0),
)
CHECKED = Timebase(
    status="checked",
    offset_ppm=0.31,
    u_ppm=0.004,
    valid_until_utc_ns=28.0,
    text="checked on 2030-03-16 against pulses",
)
DAY_S = 86_400.0


def crystals(path: Path) -> None:
    """Crystals that pass, fail, stay open; gaps, steps, outliers, drifts."""
    stage = Stage(path)
    for scene in (
        Scene(device="PASS-1"),
        Scene(device="FAIL-1", offset_ppm=-44.0, seed=2),
        Scene(
            device="OPEN-1", offset_ppm=-29.99, scatter_ppm=0.2, seed=3, ended="stopped"
        ),
        Scene(device="JITTER-1", scatter_ppm=0.9, seed=4, readings=200),
        Scene(device="TWICE-1", offset_ppm=1e6, seed=5, readings=20, ended="stopped"),
        Scene(
            device="CHECKED-1", timebase=CHECKED, seed=6, operator="mk", note="oven on"
        ),
        Scene(device="FORK-1", part=CLOCK, offset_ppm=4.0, scatter_ppm=0.02, seed=7),
        Scene(device="FEW-1", readings=2, ended="stopped"),
        Scene(device="REAL-1", simulated=False, seed=8, lot="L-1", ambient_c=None),
        Scene(
            device="OUTLIER-1",
            readings=120,
            seed=9,
            shape=lambda t: np.where(t == 60.0, 40.0, 0.0),
        ),
        Scene(
            device="NIGHT-1",
            purpose=Purpose.SOAK,
            readings=3_000,
            gate_s=10.0,
            seed=10,
            gaps_after=(700, 1_900),
            gap_s=600.0,
            shape=lambda t: 0.4 * np.log1p(t / 3_600) + np.where(t > 20_000, 0.6, 0.0),
            events=(
                (7_000.0, "lost", "counter: no answer within 2 s"),
                (7_590.0, "back", "counter answers again"),
                (20_100.0, "step", "offset stepped by +0.6 ppm"),
                (21_000.0, "alarm", "offset beyond 5 ppm"),
            ),
            ended="time reached",
        ),
        Scene(
            device="AGES-1",
            readings=240,
            gate_s=3_600.0,
            timebase=STATED,
            seed=11,
            shape=lambda t: 0.5 * np.log1p(t / DAY_S),
            ended="stopped",
        ),
        Scene(device=HOSTILE[:60], seed=12),
    ):
        stage.play(scene)
    stage.play(Scene(device="LEFT-1", seed=13), end=False)
    stage.close()


def warmed(path: Path) -> None:
    """Runs in a room that moves, for temperature laws; conditions beside them."""
    with Writer.open(path, VirtualClock()) as writer:
        write_run(writer, series(300, swing_c=6.0))
        write_run(writer, series(40), device=HOSTILE)
        write_run(
            writer, series(90, offset_ppm=31.0, gap_at=(30, 60)), device="KX-0413"
        )


def pulses(path: Path) -> None:
    """A device by pulses beside a reference, and one that fails."""
    clock = VirtualClock()
    with Writer.open(path, clock) as writer:
        for ppm, n in ((3.0, 300), (27.0, 400)):
            scene = PulseScene(writer, clock, ppm=ppm, n=n)
            scene.begin()
            scene.end()


def older(path: Path, newest: int) -> None:
    """Write a file of an older schema, as the version of its time did."""
    steps, now = schema.STEPS, migrate.NEWEST
    migrate.NEWEST, schema.STEPS = newest, steps[:newest]
    try:
        with Writer.open(path, VirtualClock()) as writer:
            run, segment = begin(writer, "OLD-1")
            writer.commit(rows(run, segment, 30))
            writer.end_run(run, "stopped")
    finally:
        migrate.NEWEST, schema.STEPS = now, steps


def main(folder: Path) -> None:
    """Make every database that is not made by the README's commands."""
    folder.mkdir(parents=True, exist_ok=True)
    crystals(folder / "crystals.db")
    warmed(folder / "warmed.db")
    pulses(folder / "pulses.db")
    bench_database(folder, 1, 3, 6).rename(folder / "factory.db")
    for newest in (1, 2, 3):
        older(folder / f"schema-{newest}.db", newest)
    assert replace(PART, id=RC.id).id == RC.id


if __name__ == "__main__":
    main(Path(sys.argv[1]))
