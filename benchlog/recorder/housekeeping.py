"""Once a second: what the host does, which alarms ring, that the keeper is well."""

import contextlib
import os
import socket
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Final

from benchlog.clock import Clock, host_deadline, host_moment
from benchlog.model import AlarmRule, EventKind
from benchlog.recorder.host_monitor import HostMonitor
from benchlog.recorder.instruments.instrument_pool import InstrumentPool
from benchlog.recorder.letters.alarms import Alarms, Change, Fact
from benchlog.recorder.letters.messenger import Messenger
from benchlog.recorder.run.bookkeeper import Bookkeeper
from benchlog.recorder.run.live_run import LiveRun
from benchlog.store import files
from benchlog.units import NS_PER_S, counted, iso_utc
from benchlog.verdict.run.assessment import Assessment
from benchlog.verdict.run.judgement import corrected_ppm

_LONGEST: Final = 200  # our rule: a line of a service manager
_EXCUSED_S: Final = 10.0  # our rule: instruments that were frozen, too, speak by then


class Notifier:
    """Speaks to whoever started this process as a service, if somebody did."""

    def __init__(self, environment: Mapping[str, str] = os.environ) -> None:
        self._address = environment.get("NOTIFY_SOCKET", "")
        if self._address.startswith("@"):  # Linux's abstract names
            self._address = "\0" + self._address[1:]
        self._status = ""

    def ready(self) -> None:
        """Say that work has begun."""
        self._send("READY=1")

    def alive(self) -> None:
        """Say that the loop goes round; silence for too long ends a hung keeper."""
        self._send("WATCHDOG=1")

    def status(self, text: str) -> None:
        """Say in a line what is going on, when it is something new."""
        line = " ".join(text.split())[:_LONGEST]
        if line != self._status:
            self._status = line
            self._send(f"STATUS={line}")

    def stopping(self) -> None:
        """Say that the end has begun."""
        self._send("STOPPING=1")

    def _send(self, line: str) -> None:
        if not self._address:
            return
        with (
            contextlib.suppress(OSError),
            socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as link,
        ):
            link.setblocking(False)
            link.connect(self._address)
            link.send(line.encode(errors="replace"))


# --- once a second: what the host does, what alarms say, and that the keeper is well

DISK = "disk"
FORWARD = "forward"


class Housekeeping:
    """Looks around for one keeper, and tells whoever wants to be told."""

    def __init__(
        self,
        book: Bookkeeper,
        pool: InstrumentPool,
        rules: Sequence[AlarmRule],
        database: Path,
    ) -> None:
        self._book, self._pool = book, pool
        self._clock: Clock = book.clock
        self._host = HostMonitor(database, book.clock)
        self._database = database
        self._alarms = Alarms(rules, book.clock)
        self._messenger = Messenger()
        self._told: dict[int, int] = {}  # runs of letters, and their segments
        self._excused = host_deadline(0)
        self.notifier = Notifier()

    def look(self) -> None:
        """Look once; every finding becomes an event in the runs that it concerns."""
        self._book.look_around()
        for noticed in self._host.look():
            self._book.note_host(noticed)
            if noticed.asleep_s:
                self.excuse()
        if self._alarms.rules and self._book.runs.by_id and self._excused.passed:
            for change in self._alarms.look(self._facts()):
                self._tell(change)
        for failure in self._messenger.failures():
            self._book.say_to_all(EventKind.ALARM_UNSENT, failure)
        self._say_how_it_goes()

    def slept(self) -> bool:
        """Whether the computer was suspended since the last look."""
        return self._host.slept()

    def excuse(self) -> None:
        """Let no alarm ring for a while: the computer or the keeper was not there."""
        self._excused = host_deadline(_EXCUSED_S)

    def close(self) -> None:
        """Let letters go out, then say that this is the end."""
        self.notifier.stopping()
        for letter, failure in self._messenger.close():
            runs = letter["runs"]
            for of in self._told.items():
                if isinstance(runs, list) and of[0] in runs:
                    self._book.note_after(of, EventKind.ALARM_UNSENT, failure)

    def _facts(self) -> Iterator[Fact]:
        now_ns = self._clock.mono_ns()
        for run in self._book.runs.all():
            yield from _of_run(run, now_ns)
            yield from _of_pulses(run, self._book.standing(run))
            without_s = self._book.intake.reference_s(run)
            if without_s is not None:
                yield Fact("reference_s", run.position.reference or "", without_s)
        for name in self._pool.by_name:
            yield Fact("lost_s", name, self._book.intake.lost_s(name))
        yield Fact("disk_mb", DISK, self._host.disk.free_bytes / 1e6)
        sent_utc_ns = files.forwarded_utc_ns(self._database)
        if sent_utc_ns is not None:
            age_s = (host_moment().utc_ns - sent_utc_ns) / NS_PER_S
            yield Fact("forward_s", FORWARD, max(0.0, age_s))

    def _tell(self, change: Change) -> None:
        runs = self._concerned(change.fact)
        kind = EventKind.ALARM if change.raised else EventKind.ALARM_OVER
        for run in runs:
            self._book.runs.note(run, kind, change.text)
        self._told.update({run.run_id: run.segment_id for run in runs})
        rule = change.rule
        why_not = self._messenger.send(
            self._letter(change, runs), rule.command, rule.webhook
        )
        if why_not:
            self._book.say_to_all(EventKind.ALARM_UNSENT, why_not)

    def _concerned(self, fact: Fact) -> list[LiveRun]:
        runs = self._book.runs
        if fact.when in ("disk_mb", "forward_s"):
            return runs.all()
        if fact.when in ("offset_ppm", "jitter_ppm"):
            return [run for run in runs.all() if run.plan.device == fact.subject]
        return runs.using(fact.subject)

    def _letter(self, change: Change, runs: Sequence[LiveRun]) -> dict[str, object]:
        rule, fact = change.rule, change.fact
        return {
            "state": "raised" if change.raised else "over",
            "text": change.text,
            "when": rule.when,
            "subject": fact.subject,
            "value": fact.value,
            "above": rule.above,
            "below": rule.below,
            "runs": [run.run_id for run in runs],
            "devices": [run.plan.device for run in runs],
            "utc": iso_utc(self._clock.utc_ns()),
        }

    def _say_how_it_goes(self) -> None:
        self.notifier.alive()
        runs = self._book.runs.all()
        lost = [n for n in self._pool.by_name if self._book.intake.lost_s(n)]
        said = ", ".join(
            f"run {run.run_id}: {counted(run.accepted, 'reading')}" for run in runs
        )
        if lost:
            said += "; nothing from " + ", ".join(lost)
        if self._book.queue.waiting > 1:
            said += f"; rows that wait for the database: {self._book.queue.waiting:,}"
        self.notifier.status(said or "waiting for the instruments")


def _of_pulses(run: LiveRun, standing: Assessment | None) -> Iterator[Fact]:
    """Yield the offset of a run of pulses, of all of it: single pulses say little."""
    known = standing is not None and standing.timing is not None
    if known and standing is not None and standing.offset_ppm is not None:
        yield Fact("offset_ppm", run.plan.device, standing.offset_ppm)


def _of_run(run: LiveRun, now_ns: int) -> Iterator[Fact]:
    """Yield what a run's newest readings say, as far as it is known."""
    device, recent = run.plan.device, run.recent
    offset = corrected_ppm(recent.offset_ppm, run.judge.timebase.offset_ppm)
    if offset is not None:
        yield Fact("offset_ppm", device, offset)
    if recent.jitter_ppm is not None:
        yield Fact("jitter_ppm", device, recent.jitter_ppm)
    ambient_c = run.ambient.at(now_ns) if run.ambient is not None else None
    if ambient_c is not None:
        yield Fact("ambient_c", run.position.ambient or "", ambient_c)
