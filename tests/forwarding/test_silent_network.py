"""A network that takes all that is sent and passes nothing on: given up in time.

Nothing tells such a connection from one to a busy server but the time it takes. The
limits are short here; what they are in use is told beside them.
"""

import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import psycopg
import pytest
from exchange.object_store import KEYS, object_store
from forwarding.made_benches import made_database
from forwarding.network_cut import Relay
from forwarding.sending import (
    OF_RUNS,
    done,
    forward,
    readings_here,
    readings_there,
    sent,
    told_here,
    told_there,
)

from benchlog.clock import HostClock
from benchlog.exchange.dataset import remote_folder, remote_mark
from benchlog.exchange.dataset.addresses import folder_at
from benchlog.exchange.dataset.packs import READINGS, packs_of, small_file
from benchlog.forwarding.postgres import server as postgres
from benchlog.units import NS_PER_S

RUNS, OF_A_RUN = 3, 2_000
PATIENCE_S = 30.0  # of a test on a busy machine; the limits below are 1 and 2 s


@pytest.fixture
def bench(tmp_path: Path) -> Path:
    return made_database(tmp_path / "bench.db", RUNS, OF_A_RUN)


@pytest.fixture
def way(server, central) -> Iterator[tuple[Relay, str, str]]:
    """A relay, the address through it, and the one past it."""
    done(central, "--create")
    with closing(Relay(server.port)) as relay:
        near = central.replace(f":{server.port}/", f":{relay.port}/")
        yield relay, near, central


def given_up(to: str, bench: Path, *words: str) -> str:
    """Send what cannot arrive; what is told. Fails where it takes for ever."""
    began_ns = HostClock().mono_ns()
    found = forward(to, "--db", str(bench), *words)
    assert (HostClock().mono_ns() - began_ns) / NS_PER_S < PATIENCE_S
    assert found.returncode == 1, found.stdout + found.stderr
    assert "Traceback" not in found.stderr and "unexpected" not in found.stderr
    return found.stderr


def more(after: int):
    """Return a case of the campaign: its limits are those of the others."""
    return pytest.param(after, marks=pytest.mark.campaign)


@pytest.mark.parametrize("after", [0, more(5_000), 200_000])
def test_a_silent_way_to_a_database_is_given_up_and_gone_on_with(
    way, bench: Path, monkeypatch, after: int
) -> None:
    """From the first byte on, within small rows, within readings."""
    relay, near, central = way
    relay.swallow(after)
    with monkeypatch.context() as patch:
        patch.setattr(postgres, "_CONNECT_S", 2)
        patch.setattr(postgres, "_ANSWER_S", 1.0)
        told = given_up(near, bench, "--readings")
        assert relay.is_swallowing, told
        assert "cannot be reached" in told and "waits here" in told
        given_up(near, bench, "--status")
    relay.mend()
    document = sent(near, bench, "--readings")
    assert document["waiting"] == 0
    with (
        closing(sqlite3.connect(bench)) as here,
        psycopg.connect(central) as there,
    ):
        for kind in OF_RUNS:
            assert told_here(here, kind) == told_there(there, kind), kind
        assert list(readings_here(here)) == list(readings_there(there))
    assert sent(near, bench, "--readings")["sent"] == 0


def be_impatient(patch: pytest.MonkeyPatch) -> None:
    """Have the keys of an object store, and little patience with it."""
    for name, value in KEYS.items():
        patch.setenv(name, value)
    patch.setattr(remote_folder, "_REQUEST_S", 1.0)
    patch.setattr(remote_folder, "_TRIES", 1)


def test_an_object_store_that_never_answers_is_given_up(
    bench: Path, monkeypatch
) -> None:
    """There is none behind it: nothing is passed on from the first byte on."""
    pytest.importorskip("pyarrow", reason="pyarrow is not installed")
    be_impatient(monkeypatch)
    with closing(Relay(1)) as relay:
        relay.swallow(0)
        way = f"endpoint_override=127.0.0.1:{relay.port}&scheme=http"
        told = given_up(f"s3://bucket/set?{way}", bench)
        assert relay.is_swallowing, told
    assert "does not answer" in told


# every suite: the test above, and what goes on after a cut, in
# exchange/test_datasets_in_a_store.py
@pytest.mark.campaign
@pytest.mark.parametrize("after", [0, 30_000])
def test_a_silent_way_to_an_object_store_is_given_up_and_gone_on_with(
    tmp_path: Path, bench: Path, monkeypatch, after: int
) -> None:
    """From the first byte on, and within what is sent."""
    for name, value in KEYS.items():
        monkeypatch.setenv(name, value)
    with object_store() as store, closing(Relay(store.port)) as relay:
        near = store.address("set", port=relay.port)
        relay.swallow(after)
        with monkeypatch.context() as patch:
            be_impatient(patch)
            told = given_up(near, bench)
        assert relay.is_swallowing, told
        assert "does not answer" in told
        relay.mend()
        monkeypatch.setattr(remote_mark, "_GONE_S", 2.0)  # the mark of this process
        assert sent(near, bench)["waiting"] == 0
        folder = folder_at(store.address("set"))
        uids, readings = [], 0
        for pack in packs_of(folder):
            with small_file(folder, pack.file(READINGS)) as file:
                found = file.read(["run_uid"]).column("run_uid").to_pylist()
                readings += len(found)
                uids += found
        assert len(set(uids)) == RUNS and readings == RUNS * OF_A_RUN
        assert sent(near, bench)["sent"] == 0
