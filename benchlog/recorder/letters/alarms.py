"""When somebody is to be told: rules held against facts, once for each cause.

A rule is raised when its value has been beyond the bound for as long as it says, and is
over when the value has come back by the hysteresis. Within the quiet time after it was
raised it is not raised again; how often it would have been is said the next time.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final

from benchlog.clock import Clock
from benchlog.model import AlarmRule
from benchlog.units import (
    NS_PER_S,
    as_stated,
    format_duration,
    printable,
)

_NAMES: Final = {
    "offset_ppm": ("offset", "ppm"),
    "jitter_ppm": ("jitter", "ppm rms"),
    "lost_s": ("nothing from it for", "s"),
    "reference_s": ("no pulse that counts for", "s"),
    "ambient_c": ("ambient", "C"),
    "disk_mb": ("room on the disk", "MB"),
    "forward_s": ("not all is sent on for", "s"),
}
_LASTING: Final = ("lost_s", "reference_s", "forward_s")


@dataclass(frozen=True, slots=True)
class Fact:
    """A value that rules may watch; `subject` is whose: device, instrument, disk."""

    when: str
    subject: str
    value: float


@dataclass(frozen=True, slots=True)
class Change:
    """An alarm was raised (`raised`) or is over."""

    rule: AlarmRule
    fact: Fact
    raised: bool
    text: str


@dataclass(slots=True)
class _State:
    beyond_since_ns: int | None = None
    raised: bool = False
    quiet_until_ns: int | None = None
    held_back: int = 0


class Alarms:
    """All rules of a bench and how each stands for each subject."""

    def __init__(self, rules: Sequence[AlarmRule], clock: Clock) -> None:
        self.rules = tuple(rules)
        self._clock = clock
        self._states: dict[tuple[int, str], _State] = {}

    def look(self, facts: Iterable[Fact]) -> list[Change]:
        """Hold facts against all rules; return what has changed."""
        now_ns, changes = self._clock.mono_ns(), []
        for fact in facts:
            for number, rule in enumerate(self.rules):
                if rule.when != fact.when:
                    continue
                state = self._states.setdefault((number, fact.subject), _State())
                change = _next(rule, fact, state, now_ns)
                changes += [change] if change is not None else []
        return changes


def _next(rule: AlarmRule, fact: Fact, state: _State, now_ns: int) -> Change | None:
    if state.raised:
        return _over(rule, fact, state) if _is_back(rule, fact.value) else None
    if not _is_beyond(rule, fact.value):
        state.beyond_since_ns = None
        return None
    if state.beyond_since_ns is None:
        state.beyond_since_ns = now_ns
        if state.quiet_until_ns is not None and now_ns < state.quiet_until_ns:
            state.held_back += 1
    if now_ns - state.beyond_since_ns < rule.hold_s * NS_PER_S:
        return None
    if state.quiet_until_ns is not None and now_ns < state.quiet_until_ns:
        return None
    return _raise(rule, fact, state, now_ns)


def _raise(rule: AlarmRule, fact: Fact, state: _State, now_ns: int) -> Change:
    state.raised = True
    state.quiet_until_ns = now_ns + int(rule.quiet_s * NS_PER_S)
    more = f", {state.held_back} times in the quiet time before" * (state.held_back > 0)
    state.held_back = 0
    text = f"{_words(fact)}, {_bound(rule, fact.value)}{more}"
    return Change(rule, fact, raised=True, text=printable(text))


def _over(rule: AlarmRule, fact: Fact, state: _State) -> Change:
    state.raised, state.beyond_since_ns = False, None
    again = f"{fact.subject}: it is back"
    text = again if fact.when in _LASTING else f"{_words(fact)}: back to normal"
    return Change(rule, fact, raised=False, text=printable(text))


def _is_beyond(rule: AlarmRule, value: float) -> bool:
    above = rule.above is not None and value > rule.above
    return above or (rule.below is not None and value < rule.below)


def _is_back(rule: AlarmRule, value: float) -> bool:
    under = rule.above is None or value <= rule.above - rule.hysteresis
    return under and (rule.below is None or value >= rule.below + rule.hysteresis)


def _words(fact: Fact) -> str:
    name, unit = _NAMES[fact.when]
    if fact.when in _LASTING:
        return f"{fact.subject}: {name} {format_duration(fact.value)}"
    return f"{fact.subject}: {name} {as_stated(fact.value)} {unit}"


def _bound(rule: AlarmRule, value: float) -> str:
    _, unit = _NAMES[rule.when]
    if rule.above is not None and value > rule.above:
        return f"above {as_stated(rule.above)} {unit}"
    return f"below {as_stated(rule.below or 0.0)} {unit}"
