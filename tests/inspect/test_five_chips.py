"""Five RC chips, one after the other: each is exchanged, seen, measured and told."""

from pathlib import Path
from statistics import mean

import pytest
from lot_shop import a_shop, hear

OFFSETS_PPM = (3_700.0, -1_900.0, 640.0, 5_200.0, -8_100.0)
"""Five different chips; one as delivered may be 10 % off."""
WITHIN_PPM = 600.0
"""How far a chip may wander in so short a run; what the room does, all share."""


@pytest.mark.slow
def test_five_chips_are_inspected_one_after_the_other(tmp_path: Path) -> None:
    """At a time scale of 20; 5 to 7 s on a machine at work."""
    with a_shop(tmp_path, part="rc-8mhz-delivered") as shop:
        shop.bench.remove("A")
        words = shop.opening(5, 5, 0, "--auto-ids", "RC-", "--min-readings", "5")
        with shop.start(words) as process:
            for number, ppm in enumerate(OFFSETS_PPM, start=1):
                shop.bench.insert("A", ppm)
                said = hear(process, f"  {number}/5")
                shop.bench.remove("A")
                if number < len(OFFSETS_PPM):
                    hear(process, "is out")
            process.communicate(timeout=30)
        assert process.returncode == 0
        found = {run.device: run.offset_ppm for run in shop.runs() if run.counts}
    room_ppm = mean(found.values()) - mean(OFFSETS_PPM)
    expected = [ppm + room_ppm for ppm in OFFSETS_PPM]
    assert list(found.values()) == pytest.approx(expected, abs=WITHIN_PPM)
    assert list(found) == [f"RC-{number:04}" for number in range(1, 6)]
    assert "accepted: 0 defective" in said
