"""Beginning a run, and beginning it again after a break: identity, time base, judge."""

import ctypes
import sys
from collections.abc import Callable, Mapping
from contextlib import closing
from dataclasses import replace
from typing import Final, TypeVar

from benchlog.clock import Clock, host_deadline, host_sleep
from benchlog.errors import BenchlogError, StoreLockedError
from benchlog.evaluation.learnt_soaks import LearntSoaks, begun_with
from benchlog.model import (
    Bench,
    Identity,
    InstrumentSpec,
    PositionSpec,
    RunPlan,
    Timebase,
)
from benchlog.recorder.instruments.instrument_handle import InstrumentProcess
from benchlog.recorder.run.ambient import Ambient
from benchlog.recorder.run.blocks.block_run import BlockRun
from benchlog.recorder.run.going_on import age_ns, know_segment, plan_now
from benchlog.recorder.run.live_run import LiveRun
from benchlog.recorder.run.resume import Resumed
from benchlog.store.reader import Reader
from benchlog.store.writer import Writer
from benchlog.units import printable
from benchlog.verdict.run.judges import judge_of, trains_of
from benchlog.verdict.run.pulse_timing import pulse_timebase
from benchlog.verdict.timebase.check_validity import timebase_now
from benchlog.verdict.timebase.known_timebase import UNCORRECTED

_MICROSECOND: Final = 1e-6  # definition
_UNSYNCHRONISED: Final = 0x0040  # source: STA_UNSYNC of linux/timex.h
_FAILED: Final = -1  # definition: of a system call


class _Timex(ctypes.Structure):
    """The head of `struct timex` (linux/timex.h), and room for the rest of it."""

    _fields_ = (
        ("modes", ctypes.c_uint),
        ("offset", ctypes.c_long),
        ("freq", ctypes.c_long),
        ("maxerror", ctypes.c_long),
        ("esterror", ctypes.c_long),
        ("status", ctypes.c_int),
        ("rest", ctypes.c_char * 512),
    )


def host_error_s() -> float | None:
    """Return the error that the system ascribes to its clock, in s; None if unknown.

    Its estimate where the program that sets the clock gives one, else its maximum; None
    where the clock is not synchronised, and on systems that do not tell.
    """
    if sys.platform != "linux":
        return None
    found = _Timex()  # modes 0: only asks
    try:
        state = ctypes.CDLL(None).adjtimex(ctypes.byref(found))
    except (OSError, AttributeError):
        return None
    if state == _FAILED or found.status & _UNSYNCHRONISED:
        return None
    microseconds = found.esterror if found.esterror > 0 else found.maxerror
    return float(microseconds) * _MICROSECOND if microseconds > 0 else None


# --- runs at their beginning, and at the one after a break: identity, time base, judg

_T = TypeVar("_T")
_LONG_AGO_NS: Final = 10**17  # our rule: three years, older than any value
# _LAST_TRY_S, _TRY_EVERY_S: our rule: another writer is done by then.
_LAST_TRY_S: Final = 10.0
_TRY_EVERY_S: Final = 0.02


class RunStarter:
    """Begins runs in a database, and goes on with them."""

    def __init__(self, clock: Clock, writer: Writer) -> None:
        self.clock, self.writer = clock, writer
        self._soaks = LearntSoaks()

    def begin(
        self,
        plan: RunPlan,
        position: PositionSpec,
        instruments: Mapping[str, InstrumentProcess],
        control: str,
        *,
        follows: bool = False,
    ) -> LiveRun:
        """Begin a run in the database; its instruments must have answered."""
        identities = {name: identity_of(i) for name, i in instruments.items()}
        counter = instruments[position.frequency].spec
        trains = trains_of(plan.bench.instruments, position, position.divider)
        timebase = (
            pulse_timebase(plan.bench, position, host_error_s())
            if trains
            else self._timebase(plan, counter, identities[counter.name])
        )
        resolution_hz = counter.resolution_hz
        simulated = any(identity.simulated for identity in identities.values())
        if not trains:
            plan = self._learnt(plan, position, identities[counter.name], simulated)
        run_id = patiently(
            lambda: self.writer.begin_run(
                plan, identities, timebase, control=control, resolution_hz=resolution_hz
            )
        )
        judge = judge_of(
            plan.part,
            trains,
            divider=position.divider,
            timebase=timebase,
            resolution_hz=resolution_hz,
            over_temperature=plan.over_temperature,
            learnt=plan.learnt,
            cut=counter.counts.cut,
            thermometer_u_c=_thermometer_u_c(plan.bench, position),
        )
        return BlockRun(
            plan=plan,
            position=position,
            spec=counter,
            run_id=run_id,
            segment_id=patiently(lambda: self.writer.begin_segment(run_id)),
            judge=judge,
            clock=self.clock,
            simulated=simulated,
            began_mono_ns=self.clock.mono_ns(),
            follows=follows,
        )

    def resume(self, old: Resumed, position: PositionSpec, control: str) -> LiveRun:
        """Go on with a run in a new segment; its instruments may yet have to answer."""
        run_id, now_ns = old.run.id, self.clock.mono_ns()
        patiently(lambda: self.writer.resume_run(run_id, control=control))
        segment_id = patiently(lambda: self.writer.begin_segment(run_id))
        know_segment(old.judge, segment_id, old, self.clock)
        run = BlockRun(
            plan=plan_now(old, self.clock),
            position=position,
            spec=old.plan.bench.instruments[position.frequency],
            run_id=run_id,
            segment_id=segment_id,
            judge=old.judge,
            clock=self.clock,
            simulated=old.run.simulated,
            accepted=old.readings,
            began_mono_ns=now_ns - age_ns(old, self.clock),
            went_on_ns=now_ns,
        )
        run.note_gap()
        if position.ambient is not None:
            identity = old.run.identities.get(position.ambient)
            typed = identity is not None and identity.settings.get("typed") == "true"
            run.attach_probe(Ambient(0.0, now_ns - _LONG_AGO_NS, 0.0, typed))
        return run

    def _timebase(
        self, plan: RunPlan, counter: InstrumentSpec, identity: Identity
    ) -> Timebase:
        if plan.checks is not None:
            return UNCORRECTED
        now_ns = self.clock.utc_ns()
        with closing(Reader.open(self.writer.path)) as reader:
            checks = reader.standing_checks(identity.serial, identity.who)
        return timebase_now(counter, checks, now_ns)

    def _learnt(
        self, plan: RunPlan, position: PositionSpec, counter: Identity, simulated: bool
    ) -> RunPlan:
        """Return the plan with the soak that the run may rest on from now on."""
        with closing(Reader.open(self.writer.path)) as reader:
            learnt = begun_with(
                reader,
                self._soaks,
                plan,
                position,
                counter,
                simulated=simulated,
                at_utc_ns=self.clock.utc_ns(),
            )
        return replace(plan, learnt=learnt)


def patiently(write: Callable[[], _T]) -> _T:
    """Do what another writer may hold up for a while. Raises StoreError."""
    limit = host_deadline(_LAST_TRY_S)
    while True:
        try:
            return write()
        except StoreLockedError:
            if limit.passed:
                raise
            host_sleep(_TRY_EVERY_S)


def identity_of(instrument: InstrumentProcess) -> Identity:
    """Return who answered; a bench file may say that an instrument is simulated."""
    identity = instrument.identity
    if identity is None:
        raise BenchlogError(f"{instrument.spec.name!r} has not answered yet")
    simulated = identity.simulated or instrument.spec.simulated
    return replace(identity, simulated=simulated)


def _thermometer_u_c(bench: Bench, position: PositionSpec) -> float | None:
    """Return the standard uncertainty that the bench states of its thermometer, C."""
    spec = bench.instruments.get(position.ambient or "")
    return None if spec is None else spec.u_c


def started_words(plan: RunPlan, instruments: Mapping[str, InstrumentProcess]) -> str:
    """Return what is said of a run that has begun: what is measured, with what."""
    identities = {name: identity_of(i) for name, i in instruments.items()}
    who = "; ".join(f"{name}: {i.text}" for name, i in identities.items())
    return printable(f"{plan.purpose} of {plan.device} as {plan.part.id} with {who}")
