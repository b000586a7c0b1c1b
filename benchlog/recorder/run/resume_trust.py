"""Going on with a run that was begun elsewhere: what that would open and start here."""

from collections.abc import Iterable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Final

from benchlog.catalogue import load_bench
from benchlog.catalogue.places import is_path
from benchlog.errors import BenchlogError
from benchlog.masking import MASK, is_secret, masked
from benchlog.model import Bench, EventKind, Purpose, Run, RunPlan
from benchlog.recorder.run.plan_checks import instruments_of
from benchlog.store.identity import MERGED
from benchlog.store.reader import Reader
from benchlog.units import printable

_BY_FILE: Final = "file (the database was begun elsewhere or is a copy)"


def came_by(reader: Reader, run: Run) -> str:
    """Return how a run came here; empty for one that was begun here by this user.

    A merge leaves an event that belongs to no segment, which nobody can take away. A
    whole database notes which file it is: one that came from elsewhere is another one.
    """
    if run.purpose is Purpose.IMPORT:
        return "import"
    marks = (
        event.text
        for _, event in reader.events(run.id)
        if event.kind == EventKind.NOTE
        and event.mono_ns == 0
        and event.text.startswith(MERGED)
    )
    by_merge = next((f"merge ({printable(text)})" for text in marks), "")
    return by_merge or (_BY_FILE if run.id <= reader.elsewhere_until() else "")


def opened_by(plan: RunPlan) -> Iterator[str]:
    """Yield what going on with a run would open and start on this computer."""
    return opened_of(plan.bench, sorted(instruments_of(plan)))


def opened_of(bench: Bench, names: Iterable[str]) -> Iterator[str]:
    """Yield what instruments and alarms of a bench would open and start here."""
    for name in names:
        spec = bench.instruments[name]
        options = ", ".join(
            f"{key}={MASK if is_secret(key) else value}"
            for key, value in spec.options.items()
        )
        what = f"{name}: driver {spec.driver} at {spec.address or 'no address'}"
        yield printable(masked(f"{what}, {options}" if options else what))
    for rule in bench.alarms:
        ways = [" ".join(rule.command)] if rule.command else []
        ways += [f"post to {masked(rule.webhook)}"] if rule.webhook else []
        if ways:
            yield printable(masked(f"alarm of {rule.when}: {', and '.join(ways)}"))


def with_alarms_here(plan: RunPlan) -> tuple[RunPlan, str]:
    """Return the plan with the alarm rules of the bench file on this computer.

    What they run and whom they tell is in no database. Where the file cannot be used,
    the rules of the run stay, which tell nobody, and the text tells so.
    """
    bench = plan.bench
    try:
        alarms = load_bench(_file_of(bench)).alarms
    except BenchlogError as error:
        first, *_ = str(error).splitlines()
        text = f"its alarms tell nobody: no bench file here ({masked(first)})"
        return plan, printable(text) if bench.alarms else ""
    return replace(plan, bench=replace(bench, alarms=alarms)), ""


def _file_of(bench: Bench) -> str:
    """Return where the bench file of a run is looked for on this computer."""
    if bench.file and Path(bench.file).is_file():
        return bench.file
    # a name is looked up where bench files are; a path in its place could lead anywhere
    return bench.name if not is_path(bench.name) else "(unnamed)"
