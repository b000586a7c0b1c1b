"""Finding runs: the options that `runs`, `devices` and `results` share."""

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import islice
from typing import TYPE_CHECKING, Any, Final

import click

from benchlog.cli.printing import width
from benchlog.cli.typed_values import CatalogueName, Since, Text
from benchlog.errors import NotFoundError, UnreadableRunError
from benchlog.model import Purpose, Run, does_not_count_text
from benchlog.model.counting import LEFT_OPEN, NOT_ENDED

if TYPE_CHECKING:
    from benchlog.evaluation.rack.one_run import Racks
    from benchlog.store.reader import Reader
    from benchlog.store.run_reader import RunReader

NOT_COUNTED: Final = "does-not-count"
ENDED: Final = "ended"
_TIMEBASE_CHECK: Final = "time base check"
_LONGEST: Final = 32
_TOGETHER: Final = 256  # our rule: more than a list shows
_LONGEST_REASON: Final = 60
_VERDICTS: Final = ("pass", "fail", "undecided", NOT_COUNTED)
_OPTIONS: Final = (
    click.option("--device", type=Text(), help="Only this device id."),
    click.option("--part", type=CatalogueName("parts"), help="Only this part id."),
    click.option("--lot", type=Text(), help="Only this lot."),
    click.option(
        "--since",
        type=Since(),
        metavar="WHEN",
        help="Only runs begun since: 2030-05-14, 2030-05-14T07:30, or 7d for days ago.",
    ),
    click.option(
        "--like",
        type=Text(),
        metavar="TEXT",
        help="Only where TEXT is in device, part, lot, bench, operator or note.",
    ),
    click.option("--verdict", type=click.Choice(_VERDICTS), help="Only this verdict."),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class ListedRun:
    """A run for a list; its figures are today's where no verdict is kept yet.

    `why_not` is why it does not count, `state` whether it goes on.
    """

    run: Run
    state: str
    why_not: str

    @property
    def age(self) -> tuple[int, int]:
        """What tells the newer of two runs: when its readings were made, its id."""
        return self.run.started_utc_ns, self.run.id

    @property
    def verdict(self) -> str | None:
        """The verdict; None where no device is judged, or none is known."""
        if self.run.made_for is Purpose.REFCHECK:
            return None
        return "fail" if self.run.damaged else self.run.verdict

    @property
    def words(self) -> str:
        """What is in the verdict's place: that it does not count, or the verdict."""
        goes_on = self.state not in (ENDED, "broken off")
        if self.why_not and not goes_on:
            return _cut(does_not_count_text(self.why_not), _LONGEST_REASON)
        word = self.verdict or "-"
        if self.run.made_for is Purpose.REFCHECK:
            word = _TIMEBASE_CHECK
        if self.run.damaged:
            word += ", damaged"
        if not goes_on:
            return word
        return self.state if word == "-" else f"{self.state}: {word}"

    @property
    def kind(self) -> str | None:
        """What `--verdict` asks for."""
        return NOT_COUNTED if self.why_not else self.verdict


def finding_options(function: Callable[..., Any]) -> Callable[..., Any]:
    """Give a command the options that narrow a list of runs."""
    for option in reversed(_OPTIONS):
        function = option(function)
    return function


@dataclass(frozen=True)
class _Listing:
    """A database while its runs are listed."""

    reader: "RunReader"

    @cached_property
    def rows(self) -> "Reader":
        """Its readings, for a run without kept figures; most lists need no array."""
        from benchlog.store.reader import Reader

        return Reader.over(self.reader)

    @cached_property
    def racks(self) -> "Racks":
        """The racks in it; most databases have none, and need not know what one is."""
        from benchlog.evaluation.rack.one_run import Racks

        return Racks(self.rows)


def found(reader: "RunReader", wish: dict[str, Any]) -> Iterator[ListedRun]:
    """Yield the runs that all of the wish fits, the newest first, as they are now.

    One that cannot be read is left out, and noted in `reader.left_out`.
    """
    from benchlog.evaluation.judged_alone import judged_alone

    names = ("device", "part", "lot", "like")
    runs = reader.found_runs(
        **{name: wish[name] for name in names}, since_utc_ns=wish["since"]
    )
    checks = [check for _, check in reader.reference_checks()]
    listing = _Listing(reader)
    for run, state in _with_states(reader, runs):
        try:
            with judged_alone(run):
                listed = as_it_is(listing, _known_now(run, checks), state)
        except UnreadableRunError as error:
            reader.leave_out(error)
            continue
        # an import is asked for by its import, and told by when its readings were made
        is_since = wish["since"] is None or listed.run.started_utc_ns >= wish["since"]
        if is_since and wish["verdict"] in (None, listed.kind):
            yield listed


def _with_states(reader: "RunReader", runs: Iterable[Run]) -> Iterator[tuple[Run, str]]:
    """Yield runs with their states; the keepers of many are asked together."""
    from benchlog.keepers import KnownKeepers

    rest, keepers = iter(runs), KnownKeepers(reader.original)
    while some := list(islice(rest, _TOGETHER)):
        states = keepers.states(some)
        yield from ((run, states[run.id]) for run in some)


def _known_now(run: Run, checks: list[Any]) -> Run:
    """Return the run with what is known by now of the check behind it."""
    if not checks:
        return run
    from benchlog.verdict.timebase.check_validity import all_as_known

    return all_as_known([run], checks)[0]


def as_it_is(listing: _Listing, run: Run, state: str) -> ListedRun:
    """Return a run with its state; where no verdict is kept yet, with today's."""
    why_not = run.why_not_counted
    if run.purpose is Purpose.IMPORT:
        began, ended = listing.reader.made_utc_ns(run)
        run = replace(
            run, started_utc_ns=-1 if began is None else began, ended_utc_ns=ended
        )
    if run.made_for is Purpose.QUALIFY:
        run = listing.racks.with_found(run)
    elif run.verdict is None and run.readings:
        from benchlog.cli.run_result import evaluated
        from benchlog.evaluation.run_evaluation import with_figures

        run = with_figures(run, evaluated(listing.rows, run).assessment)
    if why_not == NOT_ENDED and state == "broken off":
        why_not = LEFT_OPEN
    return ListedRun(run=run, state=state, why_not=why_not)


def why_none(reader: "RunReader", wish: dict[str, Any]) -> str:
    """Return which id of the wish no run has, with near ones; empty where all exist."""
    known: dict[str, set[str]] = {"device": set(), "part": set(), "lot": set()}
    if all(wish[name] is None for name in known):
        return ""
    for run in reader.found_runs():
        known["device"] |= {run.device}
        known["part"] |= {run.part.id}
        known["lot"] |= {run.lot} if run.lot else set()
    for kind, ids in known.items():
        if wish[kind] is not None and wish[kind] not in ids:
            return str(NotFoundError(f"run of {kind}", wish[kind], ids))
    return ""


def short(text: str) -> str:
    """Cut what would push other columns off the screen; `show` has all of it."""
    return _cut(text, _LONGEST)


def _cut(text: str, longest: int) -> str:
    return text if width(text) <= longest else text[: longest - 3] + "..."
