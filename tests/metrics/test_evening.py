"""An evening's soak, 300 times as fast, as a scraper sees it, trouble included.

Eight hours: the room warms up for four, and the device is taken out for ten minutes.
What was scraped is held against what the soak tells in the end. EVENING.md has the
table, kept by `BENCHLOG_KEEP_RESULTS=1 pytest -m slow tests/metrics/test_evening.py`.
"""

import json
import os
import signal
import socket
from pathlib import Path

import pytest
from cli.conftest import Line, line
from metrics.test_soak import scraped, told_where
from waiting import wait_for

from benchlog.clock import host_sleep

__all__ = ["line"]
pytestmark = pytest.mark.slow

SCALE = 300
HOURS = 8
EVERY_S = 2.0  # real; ten minutes of the evening
TABLE = Path(__file__).with_name("EVENING.md")
ALARM = """
[[alarm]]
when = "lost_s"
above = 120
"""
ORDERS = {6: "air 31 14400", 15: "device A remove", 16: "device A insert 3.0"}
"""What happens after so many scrapes."""
COLUMNS = {
    "readings_total": "{:.0f}",
    "reading_age_seconds": "{:.0f}",
    "offset_ratio": "{:.3e}",
    "offset_uncertainty_ratio": "{:.1e}",
    "ambient_celsius": "{:.1f}",
    "gaps_total": "{:.0f}",
    "alarms_total": "{:.0f}",
    "verdictpass": "{:.0f}",
}


def ordered(port: int, order: str) -> None:
    with socket.create_connection(("127.0.0.1", port), 5) as link:
        link.sendall(f"{order}\n".encode())
        assert link.recv(100).startswith(b"ok"), order


def test_an_evening_is_seen(line: Line, monkeypatch: pytest.MonkeyPatch) -> None:
    usual = line.environment()
    monkeypatch.setattr(
        Line, "environment", lambda _: usual | {"BENCHLOG_TIME_SCALE": str(SCALE)}
    )
    bench, seen = line.folder / "bench.toml", []
    words = ("--offset-ppm", "3", "--gate-s", "10", "--bench-out", bench.name)
    with line.started("simulate", *words) as simulated:
        assert simulated.stdout is not None
        while not (told := simulated.stdout.readline()).startswith("control"):
            assert told
        control = int(told.rpartition(":")[2])
        wait_for(bench.exists)
        bench.write_text(bench.read_text() + ALARM)
        soak = ("soak", "--bench", bench.name, "--part", "quartz-16mhz-30ppm")
        soak += ("--device", "KX-0412", "--for", f"{HOURS}h", "--no-screen")
        with line.started(*soak, "--metrics", "0", "--json") as keeper:
            address = told_where(keeper)
            wait_for(lambda: "benchlog_offset_ratio" in scraped(address))
            while keeper.poll() is None and len(seen) < 60:
                if len(seen) in ORDERS:
                    ordered(control, ORDERS[len(seen)])
                try:
                    seen.append(scraped(address))
                except OSError:
                    break  # the soak has ended, and its server with it
                host_sleep(EVERY_S)
            said, _ = keeper.communicate(timeout=60)
        simulated.send_signal(signal.SIGTERM)
    run = json.loads(said)
    keep(seen)
    during = [one for one in seen if one["benchlog_run_staterunning"]]
    last = during[-1]
    assert len(during) > 30
    counts = [one["benchlog_readings_total"] for one in during]
    assert counts == sorted(counts)
    assert 0 <= run["readings"] - counts[-1] < 3 * SCALE * EVERY_S / 10
    assert last["benchlog_gaps_total"] == run["gaps"] >= 1
    kinds = [event["kind"] for event in run["events"]]
    assert last["benchlog_alarms_total"] == kinds.count("alarm") >= 1
    assert max(one["benchlog_reading_age_seconds"] for one in during) > 300
    ambient = [
        one["benchlog_ambient_celsius"]
        for one in during
        if "benchlog_ambient_celsius" in one
    ]
    assert max(ambient) - min(ambient) > 3
    assert last["benchlog_offset_ratio"] * 1e6 == pytest.approx(
        run["offset_ppm"], abs=run["u_ppm"]
    )


def keep(seen: list[dict[str, float]]) -> None:
    head = ("scrape", *COLUMNS)
    rows = [
        (
            str(number),
            *(
                form.format(one[f"benchlog_{name}"])
                if f"benchlog_{name}" in one
                else "-"
                for name, form in COLUMNS.items()
            ),
        )
        for number, one in enumerate(seen)
    ]
    lines = [f"| {' | '.join(row)} |" for row in (head, ("---",) * len(head), *rows)]
    text = "\n".join(lines) + "\n"
    print(text)
    if os.environ.get("BENCHLOG_KEEP_RESULTS") == "1":
        TABLE.write_text(f"# An evening's soak, as it was scraped\n\n{__doc__}\n{text}")
