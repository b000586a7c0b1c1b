"""Importing what `export` wrote: the run as it was, under a new number."""

from collections.abc import Iterator, Mapping
from contextlib import ExitStack
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Final

from benchlog.errors import DataError, UsageError
from benchlog.exchange.import_options import ImportOptions
from benchlog.exchange.import_rows import ImportedRun
from benchlog.exchange.reimport.export_reader import (
    Altered,
    Concluded,
    Found,
    Intact,
    Logged,
)
from benchlog.exchange.text.text_rows import LineProblem
from benchlog.model import (
    Identity,
    Purpose,
    ReferenceCheck,
    RunPlan,
    Timebase,
)
from benchlog.store.duplicate_runs import first_of
from benchlog.store.identity import derived_uid
from benchlog.store.rows import Segment
from benchlog.store.snapshot import thaw
from benchlog.store.snapshot_types import check_number
from benchlog.units import format_frequency

_SAME: Final = 1e-9
_LATEST: Final = 2**63
_DAMAGED: Final = (KeyError, TypeError, ValueError, AttributeError, OverflowError)
_ALTERED: Final = (
    "the file was changed after it was exported: its check sum does not fit; the "
    "verdict is made anew from what it holds now"
)


def import_own(
    path: Path, found: Iterator[Found], intake: ImportedRun, options: ImportOptions
) -> tuple[int, tuple[str, ...]]:
    """Import what an export of ours holds; return the run and what is to be said of it.

    All that was logged and concluded, segments and the snapshot are as they were, and
    it is the same run by its UUID, unless the file was changed. Raises DataError when
    its head is damaged, UsageError for the options and for a run that is here already
    (unless `again`).
    """
    header = next(found)
    if not isinstance(header, Mapping):
        raise DataError(f"{path}: the head of the export is damaged")
    begun = _beginning(path, header, options)
    if not options.again:
        _refuse_known(path, header, found, intake)
    origin = {"file": path.name, "run": dict(header), "first": first_of(header)}
    resolution_hz = header.get("resolution_hz")
    resolution_hz = None if resolution_hz is None else float(resolution_hz)
    begin = intake.run(
        begun.plan,
        begun.identities,
        begun.timebase,
        origin=origin,
        resolution_hz=resolution_hz,
    )
    with ExitStack() as ending:
        try:
            run_id = ending.enter_context(begin)
        except _DAMAGED as error:  # a field of another kind, deep in the snapshot
            raise DataError(
                f"{path}: the head of the export is damaged ({error!r})"
            ) from error
        note = f"imported from {path.name}, an export of run {header.get('run')}"
        _bring_in(run_id, begun.segments, found, intake, note)
        if not (options.again or intake.altered or intake.rejected):
            intake.identify(run_id, derived_uid(header))
    return run_id, (note, _ALTERED) if intake.altered else (note,)


def _refuse_known(
    path: Path, header: Mapping[str, Any], found: Iterator[Found], intake: ImportedRun
) -> None:
    known = intake.same_run(header)
    if known is None:
        return
    said = f"{path.name} holds a run that is here already, as run {known}"
    if any(isinstance(one, Altered | LineProblem) for one in found):
        said += (
            ", BUT NOT AS IT IS HERE: the file was changed or damaged after it was "
            "exported"
        )
    raise UsageError(
        f"{said}; nothing was brought in, so that it does not count twice; --again "
        "brings it in as another run, `benchlog judge` judges it against another part"
    )


@dataclass(frozen=True, slots=True)
class _Begun:
    plan: RunPlan
    identities: Mapping[str, Identity]
    timebase: Timebase
    segments: tuple[Segment, ...]


def _beginning(path: Path, header: Mapping[str, Any], options: ImportOptions) -> _Begun:
    try:
        _storable(header)
        frozen = thaw(header["snapshot"], Purpose.IMPORT)
        begun = _Begun(
            plan=_plan(header, frozen.plan),
            identities=frozen.identities,
            timebase=options.timebase or frozen.timebase,
            segments=tuple(map(_segment, header["segments"])),
        )
        _time(header["started_utc_ns"])
        _time(header["ended_utc_ns"])
        if header.get("resolution_hz") is not None:
            check_number("resolution_hz", header["resolution_hz"], least=0.0)
    except _DAMAGED as error:
        raise DataError(
            f"{path}: the head of the export is damaged ({error!r})"
        ) from error
    return replace(begun, plan=_as_wished(begun.plan, options))


def _storable(header: object) -> None:
    """Raise OverflowError where a head holds what no database can."""
    waiting = [header]
    while waiting:
        value = waiting.pop()
        if isinstance(value, Mapping):
            waiting.extend(value.values())
        elif isinstance(value, list):
            waiting.extend(value)
        elif isinstance(value, int) and not -_LATEST <= value < _LATEST:
            raise OverflowError(f"{str(value)[:40]} has more than 64 bits")


def _segment(fields: Mapping[str, Any]) -> Segment:
    found = Segment(**fields)
    if not isinstance(found.id, int):
        raise TypeError(f"{found.id!r} is no number of a segment")
    _words(found.boot_id)
    _time(found.began_utc_ns)
    _time(found.began_mono_ns)
    return found


def _time(ns: object) -> None:
    if ns is not None and not (isinstance(ns, int) and -_LATEST <= ns < _LATEST):
        raise ValueError(f"{str(ns)[:40]} is no time")


def _plan(header: Mapping[str, Any], begun: RunPlan) -> RunPlan:
    """Return the plan of the copy: of the run's own, what tells of the device."""
    part = begun.part
    if not 0 < float(part.nominal_hz) < float("inf"):
        raise ValueError(f"nominal_hz {part.nominal_hz!r}")
    lot = header["lot"]
    return RunPlan(
        purpose=Purpose.IMPORT,
        device=_words(header["device"]),
        part=replace(part, id=_words(part.id), title=_words(part.title)),
        position=_words(header["position"]),
        bench=begun.bench,
        lot=None if lot is None else _words(lot),
        operator=_words(header["operator"]),
        note=_words(header["note"]),
        load_pf=begun.load_pf,
        supply_v=begun.supply_v,
        software=_words(begun.software),
        checks=begun.checks,
        alone=begun.alone,
        learnt=begun.learnt,
    )


def _words(value: object) -> str:
    if not isinstance(value, str):
        raise TypeError(f"{value!r} is no text")
    return value


def _as_wished(plan: RunPlan, options: ImportOptions) -> RunPlan:
    """Return the plan with what a person said in place of what the file says."""
    nominal_hz = options.nominal_hz or plan.part.nominal_hz
    if abs(nominal_hz - plan.part.nominal_hz) > _SAME * nominal_hz:
        raise UsageError(
            f"the export is of a {format_frequency(plan.part.nominal_hz)} part, not of "
            f"{format_frequency(nominal_hz)}; leave --nominal-hz out"
        )
    return replace(
        plan,
        device=options.device or plan.device,
        part=options.part or plan.part,
        lot=options.lot or plan.lot,
        operator=options.operator or plan.operator,
        note=options.note or plan.note,
    )


def _bring_in(
    run_id: int,
    segments: tuple[Segment, ...],
    found: Iterator[Found],
    intake: ImportedRun,
    note: str,
) -> None:
    known = {one.id: intake.segment(run_id, one) for one in segments}
    unnamed = min(known.values(), default=0) or intake.segment(run_id)
    intake.note(run_id, unnamed, note)
    concluded: list[Concluded] = []
    for one in found:
        if isinstance(one, Logged):
            segment_id = known.get(_number(one.segment), unnamed)
            intake.add_row((run_id, segment_id, one.noun))
        elif isinstance(one, Concluded):
            concluded.append(one)
        elif isinstance(one, LineProblem):
            intake.reject(one)
        elif isinstance(one, Altered):
            intake.altered = True
            intake.note(run_id, unnamed, _ALTERED)
        elif isinstance(one, Intact):
            intake.intact = True
    is_whole = intake.intact and not intake.rejected
    intake.conclude(run_id, _trusted(concluded, is_whole))
    intake.note_problems(run_id, unnamed)


def _number(segment: object) -> int:
    """Return a segment's number, 0 for what is none."""
    return segment if isinstance(segment, int) else 0


def _trusted(concluded: list[Concluded], is_whole: bool) -> list[Concluded]:
    """Leave out a check of a file that may be changed: it would correct other runs."""
    return [one for one in concluded if is_whole or not isinstance(one, ReferenceCheck)]
