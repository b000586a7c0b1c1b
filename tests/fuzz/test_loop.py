"""How long a door is tried, as told by the environment."""

import pytest
from fuzz.loop import MAIN_DOORS, doors, seconds


def test_the_main_doors_can_be_tried_for_longer(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    for name in ("BENCHLOG_FUZZ_S", "BENCHLOG_FUZZ_MAIN_S"):
        monkeypatch.delenv(name, raising=False)
    assert set(MAIN_DOORS) <= set(doors())
    assert {seconds(name) for name in doors()} == {0.5}
    monkeypatch.setenv("BENCHLOG_FUZZ_MAIN_S", "10")
    assert {seconds(name) for name in MAIN_DOORS} == {10.0}
    assert {seconds(name) for name in set(doors()) - set(MAIN_DOORS)} == {0.5}
    monkeypatch.delenv("BENCHLOG_FUZZ_MAIN_S")
    monkeypatch.setenv("BENCHLOG_FUZZ_S", "30")
    assert {seconds(name) for name in doors()} == {30.0}
