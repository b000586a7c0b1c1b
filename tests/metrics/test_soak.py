"""A soak with `--metrics`, time-scaled: what a scraper sees of it from begin to end."""

import json
import os
import re
import signal
import subprocess
import urllib.error
import urllib.request

import pytest
from cli.conftest import Line, bench, line
from cli.served_pages import served, stopped
from prometheus_client.openmetrics.parser import text_string_to_metric_families
from screen.scenes import Scene, Stage
from tiers import seldom
from waiting import wait_for

__all__ = ["bench", "line"]
SOAK = ("--part", "quartz-16mhz-30ppm", "--device", "KX-0412", "--no-screen")
ADDRESS = re.compile(r"http://127\.0\.0\.1:\d+/metrics")


def scraped(address: str, **headers: str) -> dict[str, float]:
    request = urllib.request.Request(address, headers=headers)
    with urllib.request.urlopen(request, timeout=20) as answer:
        text = answer.read().decode()
    return {
        sample.name + sample.labels.get(sample.name, ""): sample.value
        for family in text_string_to_metric_families(text)
        for sample in family.samples
    }


def answers(address: str) -> bool:
    try:
        scraped(address)
    except (urllib.error.URLError, ConnectionError):
        return False
    return True


def told_where(process: "subprocess.Popen[str]") -> str:
    assert process.stderr is not None
    found = ADDRESS.search(said := process.stderr.readline())
    assert found, said
    return found.group()


@pytest.mark.parametrize("how", [seldom("ends"), "killed"])
def test_a_soak_is_seen_until_it_is_over(line: Line, bench: str, how: str) -> None:
    words = ("--for", "90s" if how == "ends" else "1h", "--metrics", "0", "--json")
    with line.started("soak", "--bench", bench, *SOAK, *words) as process:
        address, seen = told_where(process), []
        # the one that ends may be over, on a busy computer, before a third look
        while len(seen) < (1 if how == "ends" else 3):
            wait_for(lambda: _more_seen(seen, address))
        for one in seen:
            assert one["benchlog_run_staterunning"] == 1
            assert one["benchlog_reading_age_seconds"] < 20
            assert one["benchlog_offset_ratio"] == pytest.approx(3e-6, rel=0.2)
        if how == "killed":
            wait_for(lambda: scraped(address).get("benchlog_verdictpass") == 1)
            os.kill(process.pid, signal.SIGKILL)
        said, _ = process.communicate(timeout=60)
        wait_for(lambda: not answers(address), 15)
    if how == "ends":
        run = json.loads(said)
        assert run["readings"] >= seen[-1]["benchlog_readings_total"]
        assert run["verdict"] == "pass" and seen[-1]["benchlog_verdictpass"] == 1


def _more_seen(seen: list[dict[str, float]], address: str) -> bool:
    """Keep what is seen, once there are more readings than before, and say whether."""
    least = seen[-1]["benchlog_readings_total"] if seen else 5
    found = scraped(address)
    if more := found.get("benchlog_readings_total", 0) > least:
        seen.append(found)
    return more


def test_a_page_has_the_figures_for_who_has_its_key(line: Line) -> None:
    stage = Stage(line.db)
    stage.play(Scene(readings=3))
    stage.close()
    with served(line) as server:
        base = f"http://{server.host}/metrics"
        found = scraped(f"{base}?key={server.key}")
        assert found == scraped(base, Authorization=f"Bearer {server.key}")
        assert found["benchlog_database_readable"] == 1
        for address, headers in (
            (base, {}),
            (f"{base}?key=guess", {}),
            (base, {"Authorization": "Bearer guess"}),
        ):
            with pytest.raises(urllib.error.HTTPError, match="403") as refused:
                scraped(address, **headers)
            refused.value.close()
        assert stopped(server) == "", "quietly"


def test_a_keeper_of_another_process_is_seen_by_watch(line: Line, bench: str) -> None:
    with line.started("watch", "--metrics", "0") as watching:
        address = told_where(watching)
        assert scraped(address)["benchlog_database_readable"] == 0
        port = address.rpartition(":")[2].partition("/")[0]
        soak = ("soak", "--bench", bench, *SOAK, "--for", "20s")
        done = line.run(*soak, "--metrics", port)
        assert done.returncode == 2 and "cannot be used for metrics" in done.stderr
        assert not line.db.exists(), "nothing was begun"
        assert line.run(*soak).returncode in (0, 4)
        wait_for(lambda: scraped(address).get("benchlog_run_stateended") == 1)
        watching.send_signal(signal.SIGTERM)
        assert watching.wait(20) == 0
