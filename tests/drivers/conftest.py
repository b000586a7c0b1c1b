"""Where drivers are tried in this process, no other worker's run holds an instrument.

While one does, a driver asks who is there before it sends anything else.
"""

from collections.abc import Iterator

import pytest


@pytest.fixture(autouse=True, scope="module")
def locks_of_its_own(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("XDG_STATE_HOME", str(tmp_path_factory.mktemp("state")))
        yield
