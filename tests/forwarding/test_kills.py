"""A thin version of the campaign of kills and cuts; RESULTS.md has the whole one."""

from pathlib import Path

from forwarding.central_server import PASSWORD, CentralServer
from forwarding.kill_campaign import Campaign


def test_kills_and_cuts_lose_nothing_and_double_nothing(
    server: CentralServer, tmp_path: Path
) -> None:
    """Five of them; some seconds, as senders must start."""
    found = Campaign(server, tmp_path, "5", longest_s=0.6).run(5)
    assert sum(found.deeds.values()) == 5
    assert found.differing == []
    assert found.here == found.there
    assert found.here["readings"] > 100
    assert PASSWORD not in (tmp_path / "sender.log").read_text() + server.log
