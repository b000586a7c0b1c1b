"""What is sent to a dataset: the same errands, here and in an object store."""

from pathlib import Path

import pytest
from exchange.object_store import KEYS, object_store
from forwarding.made_benches import add_run, clock_from, made_database
from forwarding.sending import done, forward
from forwarding.store_campaign import StoreCampaign

from benchlog.store.writer import Writer


@pytest.fixture
def bench(tmp_path: Path) -> Path:
    return made_database(tmp_path / "bench.db", 3, 50)


@pytest.fixture
def address(tmp_path: Path) -> str:
    return f"file://{tmp_path}/set"


def test_what_is_new_is_sent_and_what_waits_is_told(address: str, bench: Path) -> None:
    first = done(address, "--db", str(bench))
    assert first["kinds"] == {"runs": {"sent": 3, "waiting": 0, "lag_s": 0}}
    assert first["sent"] == 153
    assert done(address, "--db", str(bench))["sent"] == 0
    clock = clock_from(1)
    with Writer.open(bench, clock) as writer:
        add_run(writer, clock, "later", 7)
    told = done(address, "--db", str(bench), "--status")
    assert told["sent"] == 0
    assert told["waiting"] == 1 and told["lag_s"] >= 0
    again = done(address, "--db", str(bench))
    assert again["sent"] == 8 and again["waiting"] == 0


def test_a_dataset_needs_no_making(address: str) -> None:
    found = forward(address, "--create")
    assert found.returncode == 2 and "needs no making" in found.stderr


def test_kills_towards_an_object_store_lose_and_double_nothing(tmp_path: Path) -> None:
    """Three of the campaign; some seconds, as senders and a server must start."""
    with object_store(KEYS) as store:
        found = StoreCampaign(store, tmp_path, "3", 0.5).run(3)
    assert found.differing == []
    assert found.here == found.there and found.here["readings"] > 10
