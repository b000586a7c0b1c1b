"""The table that a campaign prints: what it tells of each door, and of all."""

from fuzz.campaign import HEAD, MORE, Tried, one, sums
from fuzz.loop import Tally, kept


def cells(row: str) -> dict[str, str]:
    return dict(
        zip((*HEAD, *MORE), row.strip("|").replace(" ", "").split("|"), strict=True)
    )


def test_a_row_tells_the_inputs_the_seconds_and_what_failed() -> None:
    tried = one("toml", 0.2, 15)
    told = cells(tried.row)
    assert told["door"] == "toml"
    assert int(told["inputs"].replace(",", "")) == tried.tally.inputs > 0
    assert int(told["of the corpus"]) == tried.kept == len(kept("toml"))
    assert 0.2 <= tried.seconds < 10.0
    assert told["failed"] == "0"


def test_a_door_that_cannot_be_opened_costs_its_own_row_only() -> None:
    """Before, the campaign ended with it, and no sum was told."""
    tried = one("no_such_door", 0.1, 15)
    assert cells(tried.row)["failed"] == "1"
    assert "KeyError of the door itself" in tried.tally.failed


def test_the_last_row_has_the_sums() -> None:
    rows = [
        Tried(tally=Tally("a", 1, inputs=1_200, taken=3), kept=5, seconds=60.4),
        Tried(tally=Tally("b", 2, inputs=800_000), kept=7, seconds=59.8),
    ]
    rows[1].tally.slowest_s = 0.5
    rows[1].tally.failed["kind"] = "words"
    told = cells(sums(rows))
    assert told == {
        **{"date": told["date"], "door": "all2", "seconds": "120", "seed": ""},
        **{"inputs": "801,200", "of the corpus": "12", "taken": "3"},
        **{"ways to refuse": "", "slowest, s": "0.500", "failed": "1"},
    }
