"""A central database for the tests, where PostgreSQL is installed."""

import itertools
from collections.abc import Iterator

import pytest
from forwarding.central_server import PASSWORD, CentralServer, folder_of_programs

_NUMBER = itertools.count(1)


@pytest.fixture(scope="session")
def server() -> Iterator[CentralServer]:
    pytest.importorskip("psycopg", reason="psycopg is not installed")
    if folder_of_programs() is None:
        pytest.skip("no PostgreSQL server is installed (initdb, postgres)")
    made = CentralServer()
    yield made
    made.remove()


@pytest.fixture
def central(server: CentralServer, monkeypatch: pytest.MonkeyPatch) -> Iterator[str]:
    """The address of an empty database; credentials are in the environment."""
    name = f"factory_{next(_NUMBER)}"
    with server.connect("postgres") as session:
        session.execute(f"create database {name} strategy file_copy")
    monkeypatch.setenv("PGUSER", "keeper")
    monkeypatch.setenv("PGPASSWORD", PASSWORD)
    yield server.address(name)
    with server.connect("postgres") as session:
        session.execute(f"drop database {name} with (force)")
