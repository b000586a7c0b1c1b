"""Each style sheet of a screen is parsed once: every screen reads the same fifty."""

from typing import Any

from textual.css import stylesheet
from textual.css.model import RuleSet
from textual.css.tokenize import Token

Variables = dict[str, list[Token]]


class ParsedSheets:
    """What `parse` of textual returned, by all that it was given."""

    def __init__(self) -> None:
        self.parse = stylesheet.parse
        self.found: dict[tuple[object, ...], list[RuleSet]] = {}
        self.newest: Variables | None = None
        self.numbers: dict[tuple[object, ...], int] = {}
        self.number = -1

    def parsed(
        self, scope: str, css: str, read_from: tuple[str, str], **how: Any
    ) -> list[RuleSet]:
        """Return the rules of a style sheet, as they were parsed for another screen."""
        if how["variable_tokens"] is not self.newest:  # one screen has the same for all
            self.newest = how["variable_tokens"]
            values = tuple((one, *self.newest[one]) for one in sorted(self.newest))
            self.number = self.numbers.setdefault(values, len(self.numbers))
        said = (how["is_default_rules"], how["tie_breaker"])
        key = (scope, css, read_from, *said, self.number)
        if key not in self.found:
            self.found[key] = list(self.parse(scope, css, read_from, **how))
        return self.found[key]


def parse_styles_once() -> None:
    """Let screens of this process share what they parse."""
    stylesheet.parse = ParsedSheets().parsed  # type: ignore[assignment]
