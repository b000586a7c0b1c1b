"""Racks written straight into a database: sequences with known laws, in no time.

The devices are invented: a cubic, hysteresis, a dip at 35 C in the first one, pulling
by supply and control voltage, a warm-up and ageing.
"""

import json
import math
from dataclasses import asdict
from pathlib import Path

from seeds import seeded_random
from store.making import COUNTER

from benchlog.catalogue import find, load_part, load_sequence
from benchlog.catalogue.places import read_toml
from benchlog.clock import VirtualClock
from benchlog.model import (
    Bench,
    Drive,
    Event,
    EventKind,
    Flag,
    InstrumentSpec,
    PositionSpec,
    Purpose,
    QualificationPlan,
    Reading,
    RunPlan,
    StepRecord,
    Timebase,
    Turn,
)
from benchlog.store.writer import Writer
from benchlog.verdict.rack.bounds import Bound, bounds_of
from benchlog.verdict.rack.planned_steps import planned_steps

PART = load_part("vctcxo-10mhz-1ppm")
NS = 10**9
BEGIN_NS = 1_900_000_000 * NS
STEP_NS = 1_200 * NS
UID = "7c1e0c4e-5f3c-4f27-9d55-0a8a4ce1c2b1"
WIDE = [(drive, Bound(-200.0, 200.0, "the scene")) for drive in Drive]


def record_of(step) -> StepRecord:
    return StepRecord(
        index=step.index,
        name=step.name,
        state={str(drive): value for drive, value in step.state.items()},
        powered=step.powered,
        gates=step.step.gates,
        scan_s=step.step.scan_s,
        anew=step.step.anew,
    )


def plan_of(name: str) -> QualificationPlan:
    sequence = load_sequence(name)
    steps = planned_steps(sequence, PART, bounds_of(PART, sequence, WIDE))
    return QualificationPlan(
        uid=UID,
        sequence=sequence.id,
        title=sequence.title,
        source=sequence.source,
        finds=sequence.finds,
        steps=tuple(record_of(one) for one in steps),
        document=read_toml(find("sequences", name)),
    )


def offset_ppm(device: int, state, way: int, days: float, since_s: float) -> float:
    """What a device does: its law, in ppm."""
    x = (state.get("temperature", 25.0) - 25.0) / 60.0
    ppm = 0.3 - 0.2 * device + (0.35 + 0.2 * device) * (x**3 - 0.4 * x) + 0.1 * way
    if device == 0:
        ppm -= 0.25 * math.exp(-0.5 * ((60 * x - 10) / 2.0) ** 2)
    ppm += 0.4 * (state.get("supply", 3.3) - 3.3)
    ppm += 7.0 * (state.get("control", 1.5) - 1.5)
    ppm += 0.01 * (state.get("load", 10.0) - 10.0)
    return ppm + 0.002 * days - 0.8 * math.exp(-since_s / 60.0)


def write_rack(
    path: Path, sequence: str, devices=3, *, steps=None, open_=False, hostile=""
) -> list[int]:
    """Write one qualification; `steps` is how many of them were gone through."""
    plan = plan_of(sequence)
    bench = Bench(
        name="rack",
        instruments={
            "counter": InstrumentSpec(
                name="counter", driver="scpi-counter", address="TCPIP::h::1::SOCKET"
            )
        },
        positions=tuple(
            PositionSpec(name=f"P{k + 1:02d}", frequency="counter")
            for k in range(devices)
        ),
    )
    timebase = Timebase(status="assumed", offset_ppm=0.0, u_ppm=0.005)
    with Writer.open(path, VirtualClock()) as writer:
        runs = []
        for k in range(devices):
            run = writer.begin_run(
                RunPlan(
                    purpose=Purpose.QUALIFY,
                    device=f"VX-{k + 1}" + (hostile if k == 0 else ""),
                    part=PART,
                    position=f"P{k + 1:02d}",
                    bench=bench,
                    software="benchlog",
                    qualification=plan,
                ),
                {"counter": COUNTER},
                timebase,
            )
            segment = writer.begin_segment(run)
            rows = list(rows_of(plan, k, steps))
            writer.commit([(run, segment, row) for row in rows])
            if not open_:
                writer.end_run(run, "sequence complete")
            runs.append(run)
    return runs


def rows_of(plan, device, most):
    chance = seeded_random(device)
    now = BEGIN_NS
    before_c, since_ns = None, None
    for step in plan.steps[:most]:
        yield _event(now, EventKind.SEQUENCE, step, "begins")
        here_c = step.state.get("temperature")
        way = (
            0
            if None in (before_c, here_c)
            else (here_c > before_c) - (here_c < before_c)
        )
        before_c = here_c if here_c is not None else before_c
        if step.powered and step.index and not plan.steps[step.index - 1].powered:
            since_ns = now
        scans = 1 if step.scan_s is None else 12
        length = STEP_NS if plan.sequence != "ageing" else 3_600 * NS
        for scan in range(scans if step.gates and step.powered else 0):
            begin = now + length // 2
            if step.scan_s is not None:
                begin = now + int(5 * 1.7**scan) * NS
            since_s = 1e9 if since_ns is None else (begin - since_ns) / NS
            days = (begin - BEGIN_NS) / (86_400 * NS)
            true = offset_ppm(device, step.state, way, days, since_s)
            gates = max(2, step.gates)
            for gate in range(gates):
                at = begin + gate * NS
                ppm = true + chance.gauss(0, 0.002)
                yield Reading(
                    utc_ns=at,
                    mono_ns=at - BEGIN_NS,
                    gate_s=1.0,
                    frequency_hz=PART.nominal_hz * (1 + ppm * 1e-6),
                    ambient_c=here_c,
                    flags=Flag.SIMULATED,
                )
            turn = Turn(
                step=step.index,
                begin_utc_ns=begin,
                end_utc_ns=begin + gates * NS,
                readings=gates,
                settled=step.name != "warm",
                drift_ppm_per_min=0.0,
                since_power_s=None if since_ns is None else since_s,
            )
            raw = json.dumps(asdict(turn)).encode()
            text = f"{step.name}: {gates} readings"
            yield Event(at, at - BEGIN_NS, EventKind.TURN, text, "", raw)
        if step.index == 1:
            text = "setter 'chamber': fault: it did not answer for a while"
            yield Event(now, now - BEGIN_NS, EventKind.SETTER, text, "chamber")
        now += max(length, int((step.scan_s or 0) + 600) * NS)
        yield _event(now, EventKind.SEQUENCE, step, "over")


def _event(at, kind, step, what):
    said = "begins" if what == "begins" else "is over"
    raw = json.dumps({"step": step.index, "what": what}).encode()
    text = f"step {step.index + 1} '{step.name}' {said}"
    return Event(at, at - BEGIN_NS, kind, text, "", raw)
