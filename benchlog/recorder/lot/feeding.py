"""The supplies of a line of chips: on for the whole lot, away for a moment, then off.

A position's `feed` names what gives its chip the supply. Each has a process of its own,
as in a rack: it lets go by itself when the keeper is silent, and sets nothing beyond
what part and setter allow.
"""

from collections.abc import Generator, Iterator, Mapping, Sequence
from typing import Final

from benchlog.clock import Clock, host_deadline
from benchlog.errors import BenchlogError, InstrumentError
from benchlog.model import Drive, Flag, RunPlan
from benchlog.recorder.bench_lock import BenchLocks
from benchlog.recorder.rack.setter_handle import SetterHandle, SetterReport
from benchlog.recorder.rack.setter_job import SetterJob, job_for
from benchlog.recorder.run.conditions import SetOrder
from benchlog.recorder.run.plan_checks import position_of
from benchlog.units import as_stated
from benchlog.verdict.rack.bounds import part_ranges

AWAY_S: Final = 1.0
"""Bench seconds without a supply; our rule: blocking capacitors are empty by then."""
_ANSWER_S: Final = 20.0  # real seconds that an order may take; our rule: as in a rack
_OPEN_S: Final = 30.0  # real seconds in which each must have answered; our rule
_NEAR: Final = 0.02  # of the voltage that was set: so near it must come; our rule
_OFF: Final = 0.1  # of the voltage that was set: below it is off; our rule


def feeds_of(templates: Sequence[RunPlan]) -> dict[str, str]:
    """Return the supply of each position that has one for itself, by position.

    One that feeds several positions cannot be taken away from a single chip.
    """
    named = {p.name: p.feed for p in map(position_of, templates) if p.feed}
    several = list(named.values())
    return {at: feed for at, feed in named.items() if several.count(feed) == 1}


def job_of(plan: RunPlan, name: str) -> SetterJob:
    """Return what a supply's process is started with; bounds as narrow as any."""
    spec = plan.bench.instruments[name]
    ends = [part_ranges(plan.part).get(Drive.SUPPLY, (0.0, float("inf")))]
    low, high = spec.options.get("low"), spec.options.get("high")
    if isinstance(low, int | float) and isinstance(high, int | float):
        ends.append((float(low), float(high)))
    bounds = max(one[0] for one in ends), min(one[1] for one in ends)
    return job_for(spec, bounds)


def usual_v(plan: RunPlan) -> float | None:
    """Return the nominal voltage of a part, None where its data sheet states none."""
    supply = plan.part.supply
    return None if supply is None else supply.nominal_v


class Feed:
    """The supply of one chip: what it was told, and what came of that."""

    def __init__(self, handle: SetterHandle, nominal_v: float | None, clock: Clock):
        self.handle, self._nominal_v, self._clock = handle, nominal_v, clock
        self._answers: dict[int, SetterReport] = {}
        self._simulated = False
        self.volts = 0.0
        self.is_on = False
        self.orders: list[tuple[SetOrder, float | None]] = []
        """What it was told since somebody took these away, with what was read back."""
        self.wrong = ""
        """Why chips have no supply any more, where it was on."""

    def heard(self, report: SetterReport) -> None:
        """Take a report of its process."""
        self._simulated |= report.simulated
        if report.kind in ("done", "refused"):
            self._answers[report.number] = report
        elif report.kind in ("released", "ended") and self.is_on:
            self.wrong = self.wrong or f"supply {self.handle.name!r}: {report.text}"

    def switching_on(self) -> Iterator[None]:
        """Set the part's voltage, or leave it as somebody set it; switch it on.

        Yields while it waits. Raises InstrumentError where it must not, or did not.
        """
        low, high = self.handle.job.bounds
        if self._nominal_v is not None:
            order = self._order(str(Drive.SUPPLY), self._nominal_v, "V")
            done = yield from self._done(self.handle.set(self._nominal_v))
            self.orders.append((order, done.read_back))
        found = yield from self._read_back()
        wanted = found if self._nominal_v is None else self._nominal_v
        if not (found > 0 and low <= found <= high) or _apart(found, wanted):
            ends = f"{as_stated(low)} to {as_stated(high)} V is allowed"
            raise self._error(
                f"is set to {as_stated(found)} V; {ends}: not switched on"
            )
        self.volts = found
        yield from self._switched(on=True)
        self.is_on = True

    def _switched(self, *, on: bool) -> Iterator[None]:
        order = self._order("power", float(on), "")
        yield from self._done(self.handle.switch(on))
        self.orders.append((order, None))

    def going_away(self) -> Iterator[None]:
        """Take the supply away and give it back, as it was.

        Yields while it waits. Raises InstrumentError where that is not certain.
        """
        yield from self._switched(on=False)
        until_ns = self._clock.mono_ns() + round(AWAY_S * 1e9)
        while self._clock.mono_ns() < until_ns:
            yield
        measured = yield from self._measured()
        if measured is not None and measured > _OFF * self.volts:
            said = f"is off and still measures {as_stated(measured, 3)} V"
            raise self._error(f"{said}: is the chip fed by something else?")
        yield from self.switching_on()

    def _order(self, quantity: str, value: float, unit: str) -> SetOrder:
        simulated = self.handle.job.spec.simulated or self._simulated
        return SetOrder(
            quantity=quantity,
            value=value,
            unit=unit,
            instrument=self.handle.name,
            utc_ns=self._clock.utc_ns(),
            mono_ns=self._clock.mono_ns(),
            flags=Flag.SIMULATED if simulated else Flag.NONE,
        )

    def _measured(self) -> Generator[None, None, float | None]:
        """Wait for a value that was measured from now on; return it."""
        before, limit = self.handle.latest, host_deadline(_ANSWER_S)
        while self.handle.latest is before:
            if limit.passed:
                raise self._error("tells no voltage any more")
            yield
        latest = self.handle.latest
        return None if latest is None else latest.value

    def _read_back(self) -> Generator[None, None, float]:
        report = yield from self._done(self.handle.check())
        return report.read_back or 0.0

    def _done(self, number: int) -> Generator[None, None, SetterReport]:
        limit = host_deadline(_ANSWER_S)
        while (report := self._answers.pop(number, None)) is None:
            if limit.passed:
                raise self._error("did not answer to an order")
            yield
        if report.kind == "refused":
            raise self._error(f"refuses: {report.text}")
        return report

    def _error(self, said: str) -> InstrumentError:
        return InstrumentError(f"supply {self.handle.name!r} {said}")


class SupplyAway:
    """A power cycle through a supply, as a program that takes it away would be."""

    def __init__(self, feed: Feed) -> None:
        feed.orders.clear()  # those of the lot's begin, or of the chip before
        self._feed, self._course = feed, feed.going_away()

    @property
    def orders(self) -> Sequence[tuple[SetOrder, float | None]]:
        """What the supply was told, with what was read back."""
        return self._feed.orders

    def outcome(self) -> str | None:
        """Return None while it is under way; nothing when all was well, else why."""
        try:
            next(self._course)
        except StopIteration:
            return ""
        except BenchlogError as error:
            # nobody knows what the next chip would have
            self._feed.wrong = self._feed.wrong or str(error)
            return str(error)
        return None


def _apart(found: float, wanted: float) -> bool:
    return abs(found - wanted) > _NEAR * wanted


class Feeds:
    """All supplies of a line, from their start until they have let go."""

    def __init__(
        self, templates: Sequence[RunPlan], clock: Clock, locks: BenchLocks
    ) -> None:
        plans = {position_of(plan).name: plan for plan in templates}
        self.by_position: dict[str, Feed] = {}
        for at, name in feeds_of(templates).items():
            handle = SetterHandle(job_of(plans[at], name), locks)
            self.by_position[at] = Feed(handle, usual_v(plans[at]), clock)
        self.by_name: Mapping[str, Feed] = {
            one.handle.name: one for one in self.by_position.values()
        }

    def switching_on(self) -> Iterator[None]:
        """Wait until each has answered, and switch it on. Raises InstrumentError."""
        limit = host_deadline(_OPEN_S)
        for feed in self.by_name.values():
            while not feed.handle.opened:
                feed.handle.require_right()
                if limit.passed:
                    raise InstrumentError(
                        f"supply {feed.handle.name!r} does not answer; nothing was set"
                    )
                yield
            yield from feed.switching_on()

    @property
    def wrong(self) -> str:
        """Why chips have no supply any more, empty while all have."""
        return next((one.wrong for one in self.by_name.values() if one.wrong), "")
