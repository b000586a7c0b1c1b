"""Every door: what once failed does not fail again, and a short search finds nothing.

Half a second a door besides its corpus, 2 s in CI (`BENCHLOG_FUZZ_S`);
`BENCHLOG_FUZZ_MAIN_S` is for the six doors that CI tries for longer.
"""

import pytest
from fuzz.loop import doors, fuzz, kept, replay

DOORS = doors()


@pytest.mark.parametrize("name", sorted(DOORS))
def test_what_is_kept_fails_no_more(name: str) -> None:
    assert kept(name), f"tests/fuzz/corpus/{name} holds no seed"
    with DOORS[name]() as door:
        tally = replay(door)
    print(tally)
    assert tally.inputs == len(kept(name))
    assert tally.failed == {}


@pytest.mark.parametrize("name", sorted(DOORS))
def test_a_short_search_finds_nothing(name: str) -> None:
    with DOORS[name]() as door:
        tally = fuzz(door)
    assert tally.inputs > 0
    assert tally.failed == {}, "kept in the corpus; mend it, and leave it there"
