"""Exit codes come from decisions; what is known of a run is printed in lines."""

import pytest
from screen.scenes import QUARTZ

from benchlog.cli.run_result import exit_code, text_of
from benchlog.evaluation.run_evaluation import Evaluation
from benchlog.model import Decision, Purpose, Run
from benchlog.units import three_digits
from benchlog.verdict.run.judges import judge_for

HOSTILE = Run(
    id=7,
    purpose=Purpose.MEASURE,
    device="KX-0412\x1b[1m",
    part=QUARTZ,
    position="A",
    bench="desk",
    nominal_hz=16e6,
    divider=1.0,
    simulated=True,
    started_utc_ns=0,
    ended_utc_ns=None,
    ended_how=None,
)


def test_unknown_figures_are_words_and_hostile_ids_harmless() -> None:
    said = text_of(Evaluation(run=HOSTILE, assessment=judge_for(HOSTILE).assessment()))
    assert said.count("unknown") == 3
    assert "? UNDECIDED\n" in said
    assert "KX-0412\\x1b[1m, run 7, position A, simulated" in said
    assert "nan" not in said.lower()


@pytest.mark.parametrize(
    ("value", "said"),
    [(0, "0"), (0.000123456, "1.23e-4"), (19045.4, "19,045"), (-2.5, "-2.50")],
)
def test_three_digits(value: float, said: str) -> None:
    assert three_digits(value) == said


@pytest.mark.parametrize(
    ("words", "code"),
    [
        (["pass"], 0),
        (["fail"], 3),
        (["undecided"], 4),
        (["pass", "undecided"], 4),
        (["undecided", "fail", "pass"], 3),
        ([], 4),
    ],
)
def test_exit_code_is_the_worst_verdicts(words: list[str], code: int) -> None:
    assert exit_code(Decision(word) for word in words) == code
