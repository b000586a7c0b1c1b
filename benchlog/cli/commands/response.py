"""`benchlog response`: what warming, cooling or another supply did to a device."""

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from benchlog.cli.command import command as make_command
from benchlog.cli.database import chosen_run, reading
from benchlog.cli.printing import (
    print_json,
    print_text,
    say,
    table,
)
from benchlog.cli.typed_values import RunOrDevice
from benchlog.units import (
    format_duration,
    format_ppm,
    format_u_ppm,
    hz_of_ppm,
    printable,
    signed_digits,
    three_digits,
)

if TYPE_CHECKING:
    from benchlog.analysis.response import Phase, Response
    from benchlog.model import Run

EXAMPLES = (
    "benchlog response 12",
    "benchlog response 12 --json",
)


@make_command("response", examples=EXAMPLES)
@click.argument("run", type=RunOrDevice(), required=False, metavar="[RUN|DEVICE]")
def command(run: int | str | None, db: Path | None, as_json: bool) -> None:
    """Show how RUN (the latest if left out) answered to what was done to it.

    The run is cut where marks were set on the screen (key m: "warming", "cooling",
    "supply 3.3 V") and where a measured supply stepped. Each phase has its own offset,
    from its last third, with U (95 %); readings are never changed. Where no meter is
    there, the supply is taken from the marks.
    """
    from benchlog.analysis.response import phases, responses
    from benchlog.evaluation.response import observed

    with reading(db) as reader:
        chosen = chosen_run(reader, run)
        seen, cuts, notes = observed(reader, chosen)
    found = phases(seen, cuts)
    answers = responses(seen, found)
    if as_json:
        print_json(
            {**document(chosen, found, answers), "steps": list(notes)}, "response"
        )
    else:
        for note in notes:
            say(f"note: {note}")
        print_text(text(chosen, found, answers))


def document(
    run: "Run", found: "tuple[Phase, ...]", answers: "tuple[Response, ...]"
) -> dict[str, Any]:
    """Return the JSON document."""
    return {
        "run": run.id,
        "device": run.device,
        "phases": list(found),
        "responses": list(answers),
        "doubts": [{"mark": name, "said": said} for name, said in doubts(found)],
        "simulated": run.simulated,
    }


def doubts(found: "tuple[Phase, ...]") -> list[tuple[str, str]]:
    """Return the marks that may not say what was meant, each with what is odd."""
    from benchlog.verdict.run.run_marks import read_mark

    names = [phase.name for phase in found]
    said = [(printable(name), read_mark(name).said) for name in names]
    return [(name, what) for name, what in said if what]


def text(
    run: "Run", found: "tuple[Phase, ...]", answers: "tuple[Response, ...]"
) -> str:
    """Return phases and responses as a person reads them."""
    rows = [
        (
            printable(phase.name),
            format_duration(phase.from_s),
            str(phase.n),
            _averaged(phase),
            format_ppm(phase.offset_ppm, phase.u_ppm),
            format_u_ppm(phase.u_ppm),
            _number(phase.ambient_c, ".2f"),
            _number(phase.supply_v, ".3f"),
        )
        for phase in found
    ]
    headers = ("phase", "from", "readings", "averaged", "offset ppm", "U ppm", "C", "V")
    said = [_said(answer, run.nominal_hz) for answer in answers]
    if not said:
        said = ["one phase only: set marks on the screen (key m) to cut a run"]
    simulated = ", simulated" if run.simulated else ""
    said += [f"{name}: {doubt}" for name, doubt in doubts(found)]
    head = f"response of {printable(run.device)}, run {run.id}{simulated}"
    return "\n\n".join((head, table(headers, rows, "lrrrrrrr"), "\n".join(said)))


def _said(answer: "Response", nominal_hz: float) -> str:
    """Return what one phase did: sign, how much, rates, time to settle."""
    name, u = printable(answer.name), format_u_ppm(answer.u_ppm)
    if answer.sign == "none":
        return f"{name}: does not clearly move (less than {u} ppm)"
    change = format_ppm(abs(answer.change_ppm), answer.u_ppm).lstrip("+")
    hertz = three_digits(abs(hz_of_ppm(answer.change_ppm, nominal_hz)))
    said = f"{name}: goes {answer.sign} by {change} +- {u} ppm ({hertz} Hz)"
    if answer.ppm_per_c is not None:
        rate = _rate(answer.ppm_per_c, answer.u_ppm_per_c)
        said += f", {rate} ppm per C of ambient"
    if answer.ppm_per_v is not None:
        said += f", {_rate(answer.ppm_per_v, answer.u_ppm_per_v)} ppm per V"
    if answer.ppm_per_c is not None and answer.ppm_per_v is not None:
        said += " (both moved: either figure may be due to the other)"
    if answer.within_ppm is None:
        return f"{said}; too noisy to tell when it settled"
    if answer.settle_s is None:
        return f"{said}; had not settled by the end of the phase"
    settled = f"settled after {format_duration(answer.settle_s)}"
    within = three_digits(answer.within_ppm)
    return f"{said}; {settled} (to {within} ppm)"


def _rate(value: float, u: float | None) -> str:
    """Return a rate with its U (95 %)."""
    if not u:
        return signed_digits(value)
    return f"{format_ppm(value, u)} +- {format_u_ppm(u)}"


def _averaged(phase: "Phase") -> str:
    """Return which of a phase's readings its figures are the means of."""
    return "-" if phase.settled_from_s is None else f"last {phase.settled_n}"


def _number(value: float | None, form: str) -> str:
    return "-" if value is None else format(value, form)
