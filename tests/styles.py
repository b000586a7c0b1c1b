"""Each style sheet of a screen is parsed once: every screen reads the same fifty."""

from typing import Any

from textual.css import stylesheet
from textual.css.model import RuleSet

_parse = stylesheet.parse
_PARSED: dict[tuple[object, ...], list[RuleSet]] = {}


def parsed(scope: str, css: str, read_from: tuple[str, str], **how: Any) -> Any:
    """Return the rules of a style sheet as they were parsed for an earlier screen."""
    variables = how["variable_tokens"]
    values = tuple((name, *tokens) for name, tokens in sorted(variables.items()))
    key = (scope, css, read_from, values, how["is_default_rules"], how["tie_breaker"])
    if key not in _PARSED:
        _PARSED[key] = list(_parse(scope, css, read_from, **how))
    return _PARSED[key]


def parse_styles_once() -> None:
    """Let screens of this process share what they parse."""
    stylesheet.parse = parsed  # type: ignore[assignment]
