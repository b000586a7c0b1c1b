"""Carrying plans out: on a screen with the keeper beside it, or in plain lines."""

import importlib
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from benchlog.cli.database import reading
from benchlog.cli.printing import (
    in_terminal,
    print_json,
    print_text,
    say,
)
from benchlog.cli.run_result import all_evaluated, text_of, worst_code
from benchlog.cli.tasks.planning import MeasureRequest, plans_of


@dataclass(frozen=True, slots=True, kw_only=True)
class Manner:
    """How a measurement is shown and how it ends."""

    database: Path
    as_json: bool = False
    no_screen: bool = False
    go_on: bool = False
    bell: bool = False

    @property
    def on_screen(self) -> bool:
        """Whether a live screen is shown."""
        return not (self.as_json or self.no_screen) and in_terminal()

    def get_ready(self) -> None:
        """Import what measuring in this manner needs: about half a second of work."""
        module = "with_screen" if self.on_screen else "headless"
        importlib.import_module(f"benchlog.cli.tasks.{module}")


def carry_out(request: MeasureRequest, manner: Manner) -> int:
    """Measure what was requested, print the figures, return the exit code.

    Raises UsageError, NotFoundError, ConfigError for what cannot be begun, and what
    prevents the start of a run: InstrumentError, BusyError, StoreError.
    """
    if manner.on_screen:
        return report(measure_shown(request, manner), manner)
    plans = plans_of(request)
    from benchlog.cli.tasks.headless import measure_in_lines

    run_ids = measure_in_lines(plans, manner.database, go_on=manner.go_on)
    return report(run_ids, manner)


def measure_shown(request: MeasureRequest, manner: Manner) -> tuple[int, ...]:
    """Measure on the live screen, which asks for the device if it is not known."""
    plans = plans_of(request if request.devices else _with(request, "?"))
    from benchlog.cli.tasks.with_screen import measure_asking, measure_on_screen

    how = {"go_on": manner.go_on, "bell": manner.bell}
    if request.devices:
        return measure_on_screen(
            plans, manner.database, go_on=manner.go_on, bell=manner.bell
        )
    return measure_asking(
        lambda device: plans_of(_with(request, device)), manner.database, **how
    )


def _with(request: MeasureRequest, device: str) -> MeasureRequest:
    return replace(request, devices=(device,))


def report(run_ids: Sequence[int], manner: Manner) -> int:
    """Print the figures of these runs on standard output; return the exit code.

    A run that was given up for another one of the same device is left out.
    """
    from benchlog.evaluation.document import run_document

    with reading(manner.database) as reader:
        found = all_evaluated(reader, run_ids)
        found = [one for one in found if one.run.ended_how != "measured again"]
        code = worst_code(reader, found)
        alone = len(found) == 1 and not reader.left_out
    if manner.as_json:
        documents = [run_document(one) for one in found]
        print_json(documents[0] if alone else documents, "run")
    else:
        print_text("\n\n".join(text_of(one) for one in found))
    if not found:
        say("nothing was measured")
    return code
