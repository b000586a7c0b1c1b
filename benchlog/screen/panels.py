"""What stands in each part of the live screen, from how a run stands; pure."""

import math
from typing import Final

from textual.content import Content

from benchlog.control import Answer
from benchlog.evaluation import brief_wording
from benchlog.evaluation.brief_wording import signs
from benchlog.evaluation.run_evaluation import Evaluation
from benchlog.evaluation.verdict_wording import TIMEBASE_CHECK, symbol_of
from benchlog.evaluation.wording import SCREEN_FACTS, Style, run_facts
from benchlog.model import Decision, Purpose
from benchlog.screen import figures
from benchlog.screen.base import WIDE
from benchlog.screen.event_text import event_words, local_date
from benchlog.screen.run_status import RunStatus, state_words
from benchlog.units import format_u_ppm, printable, two_digits
from benchlog.verdict.run.budget import Budget
from benchlog.verdict.run.reasons import mostly_suspect, other_part_of

LABEL_CELLS: Final = 11
_BESIDE_CELLS: Final = 20
_VERDICT_CELLS: Final = (24, 36)
# cells and lines that live.tcss leaves for the budget beside the facts
_BUDGET_CELLS: Final = 23
_BUDGET_LINES: Final = 4
_LABELS: Final = ("jitter", "time base", "ambient", "limit", "U")
_STYLE: Final = Style(SCREEN_FACTS, brief=True, moment=local_date)
_LATER: Final = "..."
_NO_DEVICE: Final = "no device is judged"
_DONE: Final = {
    "stop": "the run is stopped; its readings are kept",
    "pause": "paused: no readings until you resume",
    "go-on": "readings are taken again",
    "note": "the note is kept",
    "mark": "the moment is marked",
    "again": "the run has ended, another has begun",
    "keep-going": "the run continues when this terminal is closed",
}


def who(standing: RunStatus) -> tuple[Content, Content]:
    """Return the device, and whether this is simulated or imported."""
    run = standing.run
    left = Content.assemble(("device ", "$dim"), (printable(run.device), "bold"))
    tag = figures.who_simulates(standing)
    if run.purpose is Purpose.IMPORT:
        tag = f"IMPORTED {tag}".strip()
    return left, Content.styled(f" {tag} ", "reverse") if tag else Content("")


def where(standing: RunStatus) -> Content:
    """Return part, position, bench, operator."""
    return Content.styled(figures.part_text(standing), "$dim")


def state(standing: RunStatus) -> tuple[Content, ...]:
    """Return what the run is doing; how long it takes, the longest wording first."""
    run = standing.run
    if standing.loading:
        done = f"going through {run.readings:,} readings: {standing.loaded:.0%}"
        return Content(done.replace("%", " %")), Content("")
    words = state_words(standing)
    amiss = standing.keeper.state == "gone" or standing.trouble is not None
    style = "$attention bold" if amiss and run.open else "bold"
    left = Content.assemble((words, style), f" · {figures.count_text(standing)}")
    return left, *(Content(text) for text in figures.time_texts(standing))


def room_for_figure(width: int) -> int:
    """Return the cells that the large figure may take on a screen of this width."""
    return width - _BESIDE_CELLS - _VERDICT_CELLS[width >= WIDE]


def number(standing: RunStatus) -> str:
    """Return the offset for the large figure."""
    return brief_wording.offset_text(standing.assessment)


def beside(standing: RunStatus) -> Content:
    """Return the unit, U, and the offset in Hz."""
    if standing.loading:
        return Content("ppm offset")
    a, nominal_hz = standing.assessment, standing.run.nominal_hz
    unit, u, hz = figures.beside_offset(a, nominal_hz, standing.live)
    return Content.assemble(f"{unit}\n", (u, "bold"), f"\n{hz}")


def of_the_last(beside: Content) -> Content:
    """Return what stands beside the offset of the run before, while none is known."""
    lines = beside.split("\n", allow_blank=True)
    return (
        Content("\n").join([Content("the last one, ppm"), *lines[1:]]).stylize("$dim")
    )


def verdict(standing: RunStatus) -> tuple[str, str, Content]:
    """Return symbol and word, their style, and limit and probability under them."""
    a = standing.assessment
    if a is None:
        return "", "", Content("")
    is_check = bool(Evaluation(run=standing.run, assessment=a).checked_instrument)
    if said := figures.not_counted(standing.run, live=standing.live):
        words, _, why = said.partition(": ")
        by_readings = f"by its readings: {a.word}"
        if is_check:
            by_readings = _NO_DEVICE
        under = Content.assemble(f"{why}\n", (by_readings, "$dim"))
        return words.upper(), "bold reverse $attention", under
    if is_check:
        return TIMEBASE_CHECK, "bold reverse $dim", Content(_NO_DEVICE)
    style = {
        Decision.PASS: "$pass",
        Decision.FAIL: "$fail",
        Decision.UNDECIDED: "$undecided",
    }
    under = Content.assemble(
        f"{brief_wording.limit_text(a)}\n", (brief_wording.conformance_text(a), "$dim")
    )
    word = Decision.FAIL if standing.run.damaged else a.word
    if standing.run.damaged:
        under = Content.assemble(
            "the device is damaged\n", (f"by its readings: {a.word}", "$dim")
        )
    said = f"{symbol_of(word)} {word.upper()}"
    return said, f"bold reverse {style[word]}", under


def facts(standing: RunStatus, *, listed: bool = False) -> list[tuple[str, str]]:
    """Return the lines of figures under the head.

    `listed`: what U is made up of has a place of its own; why the verdict is what it
    is stands there instead.
    """
    a, run = standing.assessment, standing.run
    if standing.loading:
        return [(label, _LATER) for label in _LABELS]
    if a is None:
        return list(zip(_LABELS, brief_wording.before_any(run.timebase), strict=True))
    evaluation = Evaluation(run=run, assessment=a)
    lines = list(run_facts(evaluation, _STYLE))
    if listed and evaluation.reasons:
        lines[-1] = ("because", signs(printable(evaluation.reasons[0])))
    return lines


def budget(standing: RunStatus) -> Content:
    """Return the uncertainty budget as a small table."""
    a = standing.assessment
    if standing.loading:
        return Content("")
    if a is None or a.budget is None:
        return Content.styled("no uncertainty budget yet", "$dim")
    found = a.budget
    head = f"U = {found.k:.2f} x {format_u_ppm(found.u_ppm)} ppm, made up of"
    lines = [Content.styled(head, "$dim")]
    for name, u_ppm in _largest(found):
        share = (u_ppm / found.u_ppm) ** 2 if found.u_ppm > 0 else 0.0
        figure = two_digits(u_ppm)
        said = f"{name}{figure:>{_BUDGET_CELLS - len(name)}} ppm {share:>6.1%}"
        lines.append(Content(said.replace("%", " %")))
    return Content("\n").join(lines)


def _largest(found: Budget) -> list[tuple[str, float]]:
    """Return name and u, ppm, of what there is room for; the smallest as one line."""
    lines = [(line.name, line.u_ppm) for line in found.lines]
    if len(lines) <= _BUDGET_LINES:
        return lines
    kept = sorted(lines, key=lambda line: -line[1])[: _BUDGET_LINES - 1]
    others = [line for line in lines if line not in kept]
    together = math.hypot(*(u_ppm for _, u_ppm in others))
    shown = [line for line in lines if line in kept]
    return [*shown, (f"{len(others)} others", together)]


def events(standing: RunStatus) -> Content:
    """Return the newest events, the newest last."""
    return Content("\n").join(Content(event_words(event)) for event in standing.events)


def news(standing: RunStatus, said: str, listed: bool) -> Content:
    """Return the one line that matters most: a fault, an answer, the last event.

    `listed`: the events have a place of their own and are not repeated here.
    """
    if standing.fault:
        return Content.styled(printable(standing.fault), "$attention bold")
    if said:
        style = "$attention" if said.startswith("not ") else "$key"
        return Content.styled(f"» {printable(said)}", style)
    warned = _warning(standing)
    if warned:
        return Content.styled(warned, "$attention")
    if listed:
        return Content("")
    if not standing.events:
        nothing = "nothing has happened yet" if standing.live else "nothing happened"
        return Content.styled(nothing, "$dim")
    return Content(event_words(standing.events[-1]))


def answered(verb: str, answer: Answer) -> str:
    """Say what came of asking the keeper."""
    if answer.ok:
        said = str(answer.data.get("said", ""))
        return _DONE.get(verb, verb) + (f"; {said}" if said else "")
    return f"not done: {answer.error or 'the keeper gave no reason'}"


def _warning(standing: RunStatus) -> str:
    """Return what a person should look at now, if anything."""
    if said := figures.not_counted(standing.run, live=standing.live):
        return f"this run {said}"
    a = standing.assessment
    held = standing.keeper.rows_waiting
    if held:
        rows = "1 row waits" if held == 1 else f"{held:,} rows wait"
        return f"{rows} in the keeper's memory: the database accepts none"
    if a is not None and (other := other_part_of(a)):
        return signs(other)
    if a is not None and mostly_suspect(a.stats):
        return signs(a.reasons[0])
    return ""
