"""Datasets in an object store: a real server on the loopback, the command line as used.

What is listed there is what is listed of the same databases in a folder.
"""

import json
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner
from exchange.factory import READINGS, bench_database
from exchange.object_store import KEYS, Cable, ObjectStore
from seeds import seeded_random
from store.processes import environment
from tiers import seldom

from benchlog.cli import root
from benchlog.clock import VirtualClock, host_sleep
from benchlog.exchange.dataset import remote_mark
from benchlog.exchange.dataset.addresses import folder_at
from benchlog.exchange.dataset.packs import READINGS as OF_READINGS
from benchlog.exchange.dataset.packs import packs_of, small_file
from benchlog.store.rows import Amendment
from benchlog.store.writer import Writer

LATER_NS = 1_950_000_000 * 10**9
RUNS = 6
"""Of a bench: two lots of three devices."""


@pytest.fixture(autouse=True)
def keys(monkeypatch, tmp_path):
    for name, value in KEYS.items():
        monkeypatch.setenv(name, value)
    (tmp_path / "empty").mkdir()
    monkeypatch.chdir(tmp_path / "empty")


@pytest.fixture
def address(store: ObjectStore, tmp_path: Path) -> str:
    return store.address(f"{tmp_path.name}/set")


@pytest.fixture
def bench(tmp_path: Path) -> Path:
    return bench_database(tmp_path, 0, 2, 3)


def run(*words: str, code: int = 0) -> str:
    done = CliRunner().invoke(root, words)
    assert done.exit_code == code, done.output
    assert list(Path.cwd().iterdir()) == [], "an address is no local folder"
    return done.stdout if code == 0 else done.stderr


def send(address: str | Path, bench: Path, *more: str, code: int = 0) -> str:
    words = ("export", "--dataset", str(address), "--db", str(bench), *more)
    done = CliRunner().invoke(root, words)
    assert done.exit_code == code, done.output
    assert list(Path.cwd().iterdir()) == [], "an address is no local folder"
    return done.stderr


def void(path: Path) -> None:
    with Writer.open(path, VirtualClock(now_utc_ns=LATER_NS)) as writer:
        writer.amend(1, Amendment(kind="void", reason="probe off"))


def counts(address: str) -> tuple[int, int]:
    """Return runs and their readings; fails where a run has not all of its readings."""
    folder = folder_at(address)
    runs, readings = [], {}
    for pack in packs_of(folder):
        with small_file(folder, pack.file("runs")) as file:
            rows = file.read(["run_uid", "readings"]).to_pylist()
        with small_file(folder, pack.file(OF_READINGS)) as file:
            uids = file.read(["run_uid"]).column(0).to_pylist()
        for row in rows:
            assert uids.count(row["run_uid"]) == row["readings"]
            readings[row["run_uid"]] = row["readings"]
        runs += rows
    return len(readings), sum(readings.values())


def test_a_store_tells_what_a_folder_tells(address, bench, tmp_path):
    other, here = bench_database(tmp_path, 1, 2, 3), tmp_path / "here"
    for path in (bench, other):
        for where in (address, here):
            assert "6 runs" in send(where, path)
    for words in (("lots",), ("runs",), ("chips", "--lot", "0-000/a=b")):
        there, near = (
            run(*words, "--json", "--dataset", str(where)) for where in (address, here)
        )
        assert json.loads(there) == json.loads(near)
        assert len(json.loads(there)) > 1
    assert sorted(folder_at(address).names("lots")) == folder_at(here).names("lots")
    assert folder_at(address).has("queries.sql")


def test_an_export_writes_what_is_new_and_compact_brings_together(
    address, bench, store
):
    assert ", 3 files written, 0 unchanged" in send(address, bench)
    assert ", 0 files written, 3 unchanged" in send(address, bench)
    void(bench)
    assert ", 3 files written, 0 unchanged" in send(address, bench)
    said = send(address, bench, "--compact")
    assert "2 files of runs and readings, 2 before" in said
    assert counts(address) == (RUNS, RUNS * READINGS)
    listed = json.loads(run("runs", "--json", "--dataset", address))
    assert [one["void"] for one in listed].count("probe off") == 1
    keys = store.keys(f"{bench.parent.name}/set")
    assert sorted(key for key in keys if not key.endswith("/")) == (
        folder_at(address).names()
    ), "no mark of a writer stays"
    assert store.unfinished() == 0


@pytest.mark.campaign  # every suite kills one to a folder: test_identity_in_datasets.py
@pytest.mark.parametrize("kills", [1, 3])
def test_killed_exports_leave_nothing_that_counts(address, bench, store, kills):
    words = [sys.executable, "-m", "benchlog.cli", "export", "--dataset", address]
    rng = seeded_random(17)
    for number in range(kills):
        child = subprocess.Popen(
            [*words, "--db", str(bench)],
            env={**environment(), **KEYS},
            stderr=subprocess.DEVNULL,
        )
        host_sleep(rng.uniform(0.5, 1.3) + 0.1 * number)
        child.kill()
        child.wait(30)
        runs, readings = counts(address)
        assert readings == runs * READINGS
        assert runs in (0, RUNS)
    folder = folder_at(address)
    folder.put("readings/part=x/month=2026-01/all.0000000000000001.parquet", b"half")
    send(address, bench)
    assert counts(address) == (RUNS, RUNS * READINGS)
    assert packs_of(folder, "readings") == packs_of(folder)
    assert store.unfinished() == 0


@pytest.mark.parametrize("table", ["runs", seldom("lots")])
def test_an_object_that_is_cut_off_is_named(table, address, bench):
    send(address, bench)
    folder = folder_at(address)
    (name,) = folder.names(table)
    whole = folder.read(name, 10**6)
    folder.put(name, whole[: len(whole) // 2])
    void(bench)
    said = send(address, bench, code=1)
    assert name in said and "is damaged" in said and "Traceback" not in said
    assert name in run("lots", "--dataset", address, code=1)
    folder.put(name, whole)
    send(address, bench)
    assert counts(address) == (RUNS, RUNS * READINGS)


def test_a_cable_that_is_pulled_half_way_is_told_and_nothing_is_half_done(
    store, bench, tmp_path, monkeypatch
):
    monkeypatch.setattr(remote_mark, "_GONE_S", 1.0)  # this process lives on
    cable = Cable(store.port)
    address = store.address(f"{tmp_path.name}/cut", port=cable.port)
    direct = store.address(f"{tmp_path.name}/cut")
    cable.pull_after(seeded_random(17).randrange(3_000, 20_000))
    said = send(address, bench, code=1)
    assert "does not answer" in said and "Traceback" not in said
    runs, readings = counts(direct)
    assert (runs, readings) in ((0, 0), (RUNS, RUNS * READINGS))
    cable.put_in()
    send(address, bench)
    assert counts(direct) == (RUNS, RUNS * READINGS)
    cable.close()


def test_no_bucket_is_told(store, bench):
    nowhere = store.address("set", bucket="nowhere")
    for words in (("lots",), ("runs",), ("chips", "--lot", "x")):
        assert "no bucket nowhere" in run(*words, "--dataset", nowhere, code=1)
    assert "no bucket nowhere" in send(nowhere, bench, code=1)


def test_a_prefix_without_a_dataset_is_told(address):
    for words in (("lots",), ("runs",), ("chips", "--lot", "x")):
        assert "holds no dataset" in run(*words, "--dataset", address, code=1)


def test_wrong_credentials_are_told_and_never_shown(bench, address, store, monkeypatch):
    monkeypatch.setenv("AWS_SECRET_ACCESS_KEY", "hush")
    with store.asking_for_keys():
        said = send(address, bench, code=1)
        said += run("lots", "--dataset", address, code=1)
    assert said.count("refuses these credentials") == 2
    assert "hush" not in said


def test_an_address_with_a_secret_goes_nowhere(bench):
    before = bench.read_bytes()
    for secret in ("s3://AKIA:hush@factory/set", "s3://factory/set?secret_key=hush"):
        said = send(secret, bench, code=2)
        said += run("runs", "--dataset", secret, code=2)
        assert "environment" in said and "hush" not in said
    assert bench.read_bytes() == before


def test_a_mistyped_address_makes_no_folder(bench):
    for typed in ("s3:/factory/set", "s3:factory", "ftp://factory/set", "s3://"):
        send(typed, bench, code=2)


def test_files_by_address(bench, tmp_path):
    send(f"file://{tmp_path}/by%20address", bench)
    assert len(list((tmp_path / "by address" / "runs").rglob("*.parquet"))) == 1
    listed = run("runs", "--json", "--dataset", f"file://{tmp_path}/by%20address")
    assert len(json.loads(listed)) == RUNS
