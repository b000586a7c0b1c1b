"""What `benchlog soak` was asked for, and carrying it out on a screen or in lines."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any, Final

import click

from benchlog.cli.database import reading
from benchlog.cli.printing import (
    in_terminal,
    print_json,
    print_text,
    say,
)
from benchlog.cli.run_result import all_evaluated, summary_text, text_of, worst_code
from benchlog.cli.tasks.bench_and_part import measured_with
from benchlog.cli.tasks.measuring import Manner
from benchlog.cli.tasks.planning import MeasureRequest, plans_of
from benchlog.cli.tasks.waiting_rows import bring_waiting_rows
from benchlog.clock import host_clock
from benchlog.errors import UsageError
from benchlog.model import Purpose, RunPlan
from benchlog.units import NS_PER_S, iso_utc

if TYPE_CHECKING:
    from benchlog.evaluation.run_evaluation import Evaluation
    from benchlog.recorder.launch import Again

_TIMES: Final = ("%H:%M", "%H:%M:%S")


def carry_out(typed: dict[str, Any], manner: Manner) -> int:
    """Begin a soak or go on with one, print how it was, return the exit code.

    Raises UsageError, NotFoundError, ConfigError for what cannot be begun, and what
    prevents the start: BusyError, StoreError.
    """
    if typed["resume"] is not None or typed["resume_last"]:
        bring_waiting_rows(manner.database)
    run_ids = _to_resume(typed, manner)
    length_s = _length_s(typed)
    if not run_ids:
        run_ids = _begun(_plans(typed, length_s), manner)
    else:
        from benchlog.recorder.launch import Again

        own_length = typed["bench"] is None or typed["resume"] is not None
        if length_s is not None and not own_length:
            say(
                "--for and --until are of a soak that is begun: this one keeps its own "
                "end; `benchlog soak --resume RUN --for ...` sets a new one"
            )
        again = Again(run_ids, length_s if own_length else None, typed["trust"])
        run_ids = _gone_on(again, manner)
    return report(run_ids, manner)


def _to_resume(typed: dict[str, Any], manner: Manner) -> tuple[int, ...]:
    """Return the runs to go on with, none to begin one. Raises UsageError."""
    if typed["resume"] is not None:
        if typed["resume_last"] or typed["bench"] or typed["devices"]:
            raise UsageError(
                "--resume takes bench, part and device from the run; leave out "
                "--bench, --device and --resume-last"
            )
        return (int(typed["resume"]),)
    if not typed["resume_last"]:
        return ()
    from benchlog.recorder.run.resume import find_last

    found = find_last(manner.database, typed["devices"], trust=typed["trust"])
    if not found:
        _tell_of_strange(typed, manner)
    if not found and typed["bench"] is None:
        raise UsageError(
            "no soak broke off, so there is nothing to go on with (one that still goes "
            "on is left alone); `benchlog runs` lists what there is"
        )
    return found


def _tell_of_strange(typed: dict[str, Any], manner: Manner) -> None:
    """Tell of the last soak where it came from elsewhere, so that trust is missing.

    Raises UsageError that tells what it would use, where none is begun instead.
    """
    from benchlog.recorder.run.resume import find_last, resumed

    strange = find_last(manner.database, typed["devices"], trust=True)
    if not strange:
        return
    if typed["bench"] is None:
        resumed(manner.database, strange[-1], host_clock().utc_ns())
    say(f"run {strange[-1]} came from elsewhere: not gone on with without --trust")


def _plans(typed: dict[str, Any], length_s: float | None) -> tuple[RunPlan, ...]:
    typed = measured_with(typed)
    known = ("bench", "part", "devices", "positions", "gate_s", "operator", "note")
    more = ("lot", "load_pf", "supply_v", "over_temperature")
    request = MeasureRequest(**{name: typed[name] for name in (*known, *more)})
    return tuple(
        replace(
            plan,
            purpose=Purpose.SOAK,
            until_clear=False,
            max_readings=None,
            max_s=length_s,
        )
        for plan in plans_of(request)
    )


def _length_s(typed: dict[str, Any]) -> float | None:
    """Return how long from now on, None for as long as nobody stops it."""
    if typed["for_s"] is not None and typed["until"] is not None:
        raise UsageError("give --for or --until, not both: either one ends the run")
    if typed["until"] is None:
        return typed["for_s"]  # type: ignore[no-any-return]
    now_ns = host_clock().utc_ns()
    end_ns = moment_utc_ns(typed["until"], now_ns)
    say(f"until {iso_utc(end_ns)}")
    return (end_ns - now_ns) / NS_PER_S


def moment_utc_ns(text: str, now_utc_ns: int) -> int:
    """Return the moment that `07:30` (the next one, local) or an ISO date-time means.

    Raises UsageError for anything else, and for a moment that has passed.
    """
    now = datetime.fromtimestamp(now_utc_ns / NS_PER_S, UTC)
    found = _time_of_day(text, now) or _date_and_time(text)
    if found is None:
        raise UsageError(
            f"{text!r} is no time; write 07:30 for the next such local time, or "
            "2026-11-30T07:30, with Z behind it for UTC"
        )
    if found <= now:
        raise UsageError(f"{text!r} has passed already; it is {now:%Y-%m-%d %H:%M} UTC")
    return round(found.timestamp() * NS_PER_S)


def _time_of_day(text: str, now: datetime) -> datetime | None:
    for form in _TIMES:
        try:
            time = datetime.strptime(text, form).time()
        except ValueError:
            continue
        here = now.astimezone().date()
        days = (here, here + timedelta(days=1), here + timedelta(days=2))
        # each day has its own offset from UTC: summer time may begin in between
        moments = [datetime.combine(day, time).astimezone() for day in days]
        return next(moment for moment in moments if moment > now)
    return None


def _date_and_time(text: str) -> datetime | None:
    try:
        return datetime.fromisoformat(text).astimezone()
    except (ValueError, OverflowError):
        return None


def _begun(plans: Sequence[RunPlan], manner: Manner) -> tuple[int, ...]:
    if manner.on_screen:
        from benchlog.cli.tasks.with_screen import measure_on_screen

        return measure_on_screen(
            plans, manner.database, go_on=manner.go_on, bell=manner.bell
        )
    from benchlog.cli.tasks.headless import soak_in_lines

    return soak_in_lines(plans, manner.database, go_on=manner.go_on)


def _gone_on(again: "Again", manner: Manner) -> tuple[int, ...]:
    from benchlog.recorder.run.resume import resumed

    now_ns = host_clock().utc_ns()
    how: dict[str, Any] = {"more_s": again.more_s, "trust": again.trust}
    if again.trust and _show_what_they_use(again.run_ids, manner) and in_terminal():
        agreed = click.confirm("go on with that on this computer?", err=True)
        if not agreed:
            raise UsageError("nothing was opened; the runs stay as they are")
    if manner.on_screen:
        from benchlog.cli.tasks.with_screen import measure_on_screen

        return measure_on_screen(
            (), manner.database, again=again, go_on=manner.go_on, bell=manner.bell
        )
    from benchlog.cli.tasks.headless import soak_in_lines

    several = [resumed(manner.database, i, now_ns, **how) for i in again.run_ids]
    for old in several:
        say(f"resuming run {old.run.id}: {old.gap}")
    plans = tuple(old.plan for old in several)
    return soak_in_lines(plans, manner.database, go_on=manner.go_on, resume=several)


def _show_what_they_use(run_ids: Sequence[int], manner: Manner) -> bool:
    """Show what runs from elsewhere open and start here; return whether any does."""
    from benchlog.recorder.run.resume import plan_of
    from benchlog.recorder.run.resume_trust import came_by, opened_by, with_alarms_here

    strange = False
    with reading(manner.database) as reader:
        for run in map(reader.run, run_ids):
            came = came_by(reader, run)
            strange = strange or bool(came)
            if came:
                plan, _ = with_alarms_here(plan_of(run, host_clock().utc_ns()))
                say(f"run {run.id} came by {came}; it uses here:")
                for line in opened_by(plan):
                    say(f"  {line}")
    return strange


def report(run_ids: Sequence[int], manner: Manner) -> int:
    """Print how these soaks were on standard output; return the exit code."""
    from benchlog.evaluation.document import soak_document

    with reading(manner.database) as reader:
        found = all_evaluated(reader, run_ids, summary="always")
        documents = [
            soak_document(one, (event for _, event in reader.events(one.run.id)))
            for one in found
        ]
        code = worst_code(reader, found)
        alone = len(found) == 1 and not reader.left_out
    if manner.as_json:
        print_json(documents[0] if alone else documents, "soak")
    else:
        print_text("\n\n".join(map(_text, found)))
    return code


def _text(evaluation: "Evaluation") -> str:
    summary = evaluation.summary
    return text_of(evaluation) + (
        "" if summary is None else f"\n\n{summary_text(summary)}"
    )
