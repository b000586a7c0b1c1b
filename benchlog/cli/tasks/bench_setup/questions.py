"""Plain questions in the terminal; Enter takes the suggestion.

Where nobody can answer, or an option answered already, nothing is asked. A wrong answer
is asked again, a wrong option is bad usage.
"""

import math
import shutil
import textwrap
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

import click

from benchlog.cli.printing import say
from benchlog.errors import UsageError
from benchlog.units import as_stated

Fault = Callable[[str], str]
"""Returns why an answer cannot be taken, empty when it can."""


def _any(text: str) -> str:  # noqa: ARG001 - the shape of a Fault
    return ""


@dataclass(frozen=True, slots=True)
class Questions:
    """Asks a person where there is one (`interactive`).

    What was answered before is suggested when a question is asked again.
    """

    interactive: bool
    said: dict[str, str] = field(default_factory=dict)
    """Answers so far, by the option that would give them."""

    def text(
        self,
        question: str,
        option: str,
        *,
        given: str | None,
        suggestion: str,
        hint: str = "",
        fault: Fault = _any,
    ) -> str:
        """Return the given answer, else a person's, else the suggestion.

        `hint` tells a person what may be answered, in lines above the question.
        Raises UsageError when what was given cannot be taken, or nothing is suggested
        and nobody is there to ask; it names `option`.
        """
        if given is None and not self.interactive:
            if not suggestion:
                raise UsageError(f"{question} Nobody can be asked here: give {option}")
            given = suggestion
        if given is not None:
            why = fault(given)
            if why:
                raise UsageError(f"{option} {given!r}: {why}")
            return given
        say_wrapped(hint)
        while True:
            said = _prompt(question, self.said.get(option, suggestion))
            why = fault(said)
            if not why:
                self.said[option] = said
                return said
            say_wrapped(why)

    def choice(
        self,
        question: str,
        option: str,
        *,
        given: str | None,
        suggestion: str,
        choices: Mapping[str, str],
        fault: Fault = _any,
    ) -> str:
        """Return one of `choices`, a mapping of words to what they mean."""
        if given is None and self.interactive:
            say(question)
            wide = max(len(word) for word in choices)
            for word, meaning in choices.items():
                say(f"  {word:<{wide}}  {meaning}")
            question = "Which?"
        expected = f"one of {', '.join(choices)}"
        return self.text(
            question,
            option,
            given=given,
            suggestion=suggestion,
            fault=lambda said: fault(said) if said in choices else expected,
        )

    def number(
        self,
        question: str,
        option: str,
        *,
        given: float | None,
        suggestion: str,
        hint: str = "",
        low: float = -math.inf,
        high: float = math.inf,
    ) -> float | None:
        """Return a number from `low` to `high`; None for the answer `none`."""
        said = self.text(
            question,
            option,
            given=None if given is None else f"{given!r}",
            suggestion=suggestion,
            hint=hint,
            fault=lambda text: _number_fault(text, low, high, suggestion == "none"),
        )
        return None if said == "none" else float(said)

    def yes(
        self, question: str, *, given: bool | None, suggestion: bool, hint: str = ""
    ) -> bool:
        """Return whether a person agrees; the suggestion where nobody is asked."""
        if given is not None:
            return given
        if not self.interactive:
            return suggestion
        say_wrapped(hint)
        return click.confirm(question, default=suggestion, err=True)


def say_wrapped(text: str) -> None:
    """Tell something in lines that fit the terminal, indented."""
    columns = max(40, shutil.get_terminal_size((80, 24)).columns - 1)
    indent = "  "
    for line in textwrap.wrap(
        text,
        columns,
        initial_indent=indent,
        subsequent_indent=indent,
        break_on_hyphens=False,
        break_long_words=False,
    ):
        say(line)


def _prompt(question: str, suggestion: str) -> str:
    said = click.prompt(question, default=suggestion or None, err=True, type=str)
    return str(said).strip()


def _number_fault(text: str, low: float, high: float, may_be_none: bool) -> str:
    if text == "none" and may_be_none:
        return ""
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if math.isfinite(value) and low <= value <= high:
        return ""
    bounds = "" if math.isinf(low) else f" of at least {as_stated(low)}"
    bounds += "" if math.isinf(high) else f" and at most {as_stated(high)}"
    return f"a number{bounds}{', or none' if may_be_none else ''}"
