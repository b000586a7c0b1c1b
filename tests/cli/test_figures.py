"""Figures as text: rounded to their uncertainty, words for what is unknown."""

from typing import Any

import pytest

from benchlog.cli.figures import exit_code, offset_text, text_of, three_digits

UNKNOWN: dict[str, Any] = {
    "run": 7, "device": "KX-0412\x1b[1m", "part": "quartz-16mhz-30ppm",
    "nominal_hz": 16e6, "position": "A", "simulated": True, "readings": 0, "gaps": 0,
    "offset_ppm": None, "u_ppm": None, "jitter_ppm_rms": None, "jitter_ppm_pp": None,
    "jitter_hz_rms": None, "jitter_hz_pp": None, "gate_s": None, "span_s": 0.0,
    "ambient_c": {"mean": None, "min": None, "max": None}, "ended_how": None,
    "limit_ppm": 30.0, "limit_text": "tolerance", "verdict": "undecided",
    "conformance": None, "reasons": ["no reading so far"],
    "timebase": {
        "status": "assumed", "offset_ppm": 0.0, "u_ppm": 0.577, "valid_until": None,
        "text": "",
    },
}  # fmt: skip
KNOWN = UNKNOWN | {
    "offset_ppm": -9.25, "u_ppm": 0.58, "readings": 10, "span_s": 10.0, "gate_s": 1.0,
    "jitter_ppm_rms": 0.01234, "jitter_ppm_pp": 0.0456, "jitter_hz_rms": 0.19744,
    "jitter_hz_pp": 0.7296, "verdict": "pass", "conformance": 1.0 - 1e-9,
    "ambient_c": {"mean": 24.94, "min": 24.8, "max": 25.11},
}  # fmt: skip


def test_offset_in_ppm_hz_and_seconds_a_day() -> None:
    # 148 Hz low at 16 MHz is -9.25 ppm (common practice, no source), and
    # -9.25e-6 * 86400 s = -0.7992 s a day
    said = offset_text(KNOWN)
    assert said == "-9.25 ppm +- 0.58 ppm (95 %), -148.0 Hz, -0.799 s/day"


def test_known_figures_are_all_there() -> None:
    said = text_of(KNOWN)
    spaced = " ".join(said.split())
    assert "0.0123 ppm rms (0.197 Hz) about a straight line; highest less" in spaced
    assert "drift included: 0.0456 ppm p-p (0.730 Hz); gate 1 s" in spaced
    assert "24.9 C (24.8 to 25.1 C)" in said
    assert "10 in 10 s, 0 gaps" in said
    assert "✓ PASS, conformance probability > 99.99 %" in said


def test_unknown_figures_are_words_and_hostile_ids_harmless() -> None:
    said = text_of(UNKNOWN)
    assert said.count("unknown") == 3
    assert "? UNDECIDED\n" in said
    assert "KX-0412\\x1b[1m, run 7, position A, simulated" in said
    assert "nan" not in said.lower()


@pytest.mark.parametrize(
    ("value", "said"),
    [(0, "0"), (0.000123456, "0.000123"), (19045.4, "19,045"), (-2.5, "-2.50")],
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
    assert exit_code([{"verdict": word} for word in words]) == code
