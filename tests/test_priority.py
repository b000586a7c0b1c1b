"""Who gives way, and how far it reaches: a session of its own, never a person's."""

import subprocess
import sys
from pathlib import Path

import pytest

from benchlog.priority import BESIDE, keeper_beside

SESSION = Path("/proc/self/autogroup")
SHOWN = """
import os
from pathlib import Path
from benchlog.priority import give_way
give_way()
give_way()
print(os.getpriority(os.PRIO_PROCESS, 0))
session = Path("/proc/self/autogroup")
print(session.read_text().split()[-1] if session.exists() else "")
"""


def shown(*, own_session: bool) -> list[str]:
    done = subprocess.run(
        [sys.executable, "-c", SHOWN],
        start_new_session=own_session,
        capture_output=True,
        text=True,
        check=True,
    )
    return done.stdout.split()


def test_who_gives_way_twice_has_given_way_once() -> None:
    assert shown(own_session=False)[0] == str(BESIDE)


@pytest.mark.skipif(not SESSION.exists(), reason="no shares by session here")
def test_only_a_session_of_its_own_gives_way_as_a_whole() -> None:
    before = SESSION.read_text()
    assert shown(own_session=True)[1] == str(BESIDE)
    assert shown(own_session=False)[1] == before.split()[-1]
    assert SESSION.read_text() == before


def test_a_keepers_socket_is_found_whatever_the_databases_name(tmp_path: Path) -> None:
    database = tmp_path / "a[1]*.db"
    assert not keeper_beside(database)
    (tmp_path / "a[1]*.db.17.sock").touch()
    assert keeper_beside(database)
    assert not keeper_beside(tmp_path / "a1x.db")
