"""Use files: what ships agrees with its sources; every mistake of a file is named."""

from importlib.resources import files
from pathlib import Path
from typing import Any

import pytest
from verdict.published import rows

from benchlog.catalogue import (
    find_uses,
    list_uses,
    load_uses,
    names,
    uses_from_mapping,
)
from benchlog.errors import ConfigError, NotFoundError
from benchlog.model import BitTiming, SerialLink, Synchronisation
from benchlog.units import seconds_per_day
from benchlog.verdict.fitness.serial_links import can_tolerance_ppm, link_tolerance_ppm

USES = {use.id: use for use in load_uses()}
KNOWN = {
    row["application"].split(" (")[0]: row for row in rows("application_tolerances.csv")
}
FAMILIES = {
    "bluetooth", "can", "clock", "colour", "dmx512", "ethernet", "ieee802154", "lin",
    "midi", "serial", "usb",
}  # fmt: skip


def known_ppm(beginning: str) -> tuple[float, str]:
    """Return the tolerance of the one row that begins so, and what is known of it."""
    (row,) = [row for name, row in KNOWN.items() if name.startswith(beginning)]
    return float(row["tolerance_ppm"]), row["verification"]


@pytest.mark.parametrize(
    ("use", "row"),
    [
        ("usb-low-speed", "USB 2.0 low"),
        ("usb-full-speed", "USB 2.0 full"),
        ("usb-high-speed", "USB 2.0 high"),
        ("can-rule-of-thumb", "CAN rule"),
        ("lin-slave-before-sync", "LIN slave before"),
        ("lin-nodes-after-sync", "LIN any two"),
        ("lin-slave-unsynchronised", "LIN slave not"),
        ("lin-master", "LIN master"),
        ("ethernet-100base-tx", "100BASE-TX"),
        ("ethernet-10base-t", "10BASE-T"),
        ("ieee802154-2450mhz", "IEEE 802.15.4"),
        ("bluetooth-le-active", "Bluetooth LE active"),
        ("bluetooth-le-sleep", "Bluetooth LE sleep"),
        ("colour-ntsc", "NTSC"),
        ("colour-pal", "PAL"),
        ("midi", "MIDI"),
        ("dmx512", "DMX512"),
    ],
)
def test_tolerances_and_what_is_known_of_them(use: str, row: str) -> None:
    found = USES[use]
    if row == "10BASE-T":
        ppm, known = 100.0, KNOWN["10BASE-T"]["verification"]
    else:
        ppm, known = known_ppm(row)
    assert found.tolerance_ppm == pytest.approx(ppm, rel=1e-4)
    for status in ("memory only", "secondary"):
        if status in known:
            assert found.status == status.split()[0]
    if known.startswith("verified") and "secondary" not in known:
        assert found.status in ("verified", "secondary")


def test_colour_bursts_from_their_definitions() -> None:
    """315/88 MHz +-10 Hz; 283.75 x 15625 + 25 Hz +-5 Hz (from memory)."""
    ntsc, pal = 315e6 / 88, 283.75 * 15_625 + 25
    assert USES["colour-ntsc"].tolerance_ppm == pytest.approx(10e6 / ntsc, rel=1e-5)
    assert USES["colour-pal"].tolerance_ppm == pytest.approx(5e6 / pal, rel=1e-5)


def test_links_that_are_made_by_formula() -> None:
    """0.390625 and 1.587302 % for each CAN node; 4.575163 % in all for 8N1 at x16."""
    one, two = USES["can-1mbit"].bits, USES["can-100kbit"].bits
    assert one is not None and two is not None
    assert can_tolerance_ppm(one) == pytest.approx(3906.25)
    assert can_tolerance_ppm(two) == pytest.approx(15_873.02, abs=0.01)
    serial = USES["serial-x16-9600"]
    assert serial.serial == SerialLink(9600.0) and serial.shared
    assert link_tolerance_ppm(serial.serial) == pytest.approx(45_751.63, abs=0.01)
    assert serial.comfortable_ppm == 20_000
    assert USES["serial-x8-9600"].comfortable_ppm == 15_000


def test_uses_that_may_take_either_oversampling() -> None:
    """A data sheet recommends 2.0 % for each end at 16 samples a bit, 1.5 % at 8."""
    both = USES["serial-8n1-57600"]
    (other,) = both.alternatives
    assert both.serial is not None and other.serial is not None
    assert (both.serial.oversampling, other.serial.oversampling) == (16, 8)
    assert (both.comfortable_ppm, other.comfortable_ppm) == (20_000, 15_000)
    assert other.serial.baud == 57_600 and other.id == both.id
    for name in ("midi", "dmx512"):
        assert [use.serial.oversampling for use in USES[name].alternatives] == [8]  # type: ignore[union-attr]


def test_synchronisation_reaches_the_noun() -> None:
    assert USES["lin-nodes-after-sync"].synchronisation == Synchronisation(
        capture_ppm=140_000, bits=8, samples=16
    )
    assert USES["lin-master"].synchronisation is None


def test_clocks_allow_what_their_names_say() -> None:
    """1 ppm is 0.0864 s a day, 2.592 s in 30 days, 31.5576 s in 365.25 days."""
    per_day = {
        "clock-1s-per-day": 1.0,
        "clock-10s-per-day": 10.0,
        "clock-10min-per-day": 600.0,
        "clock-rtc-1min-per-month": 60 / 30,
        "clock-rtc-1min-per-year": 60 / 365.25,
    }
    for use, seconds in per_day.items():
        ppm = USES[use].tolerance_ppm
        assert ppm is not None and USES[use].averages
        assert seconds_per_day(ppm) == pytest.approx(seconds, rel=1e-5)
    year = USES["clock-rtc-1min-per-year"].tolerance_ppm
    assert year == pytest.approx(60 / 31.5576, rel=1e-5)


def test_all_that_ships_is_sound() -> None:
    assert {use.split("-")[0] for use in USES} == FAMILIES
    uses, problems = list_uses()
    assert problems == () and len(uses) == len(USES) >= 50
    for use in uses:
        assert use.source and use.title
        assert (use.status == "practice") == ("no source" in use.source)
    stems = {Path(use.file).stem for use in uses}
    assert stems == set(names("uses"))


def test_every_file_says_how_to_add_one() -> None:
    shipped = files("benchlog.configs") / "uses"
    for file in shipped.iterdir():
        text = file.read_text("utf-8")
        assert text.startswith("# ") and "How to add a use" in text, file


def test_bauds_are_sorted_by_number() -> None:
    ids = [use.id for use in load_uses() if use.id.startswith("serial-x16-")]
    assert ids[:3] == ["serial-x16-1200", "serial-x16-2400", "serial-x16-4800"]
    assert ids[-1] == "serial-x16-1000000"


def test_found_by_id_by_family_or_by_path(tmp_path: Path) -> None:
    assert [use.id for use in find_uses("usb-full-speed")] == ["usb-full-speed"]
    assert {use.id for use in find_uses("usb")} == {u for u in USES if u[:3] == "usb"}
    assert len(find_uses("serial-x8")) == 15
    path = tmp_path / "mine.toml"
    path.write_text(
        '[use]\nid="radio-mine"\ntitle="my radio"\nsource="its data sheet"\n'
        'status="verified"\n[tolerance]\nppm=25\n',
        encoding="utf-8",
    )
    (mine,) = find_uses(str(path))
    assert (mine.id, mine.tolerance_ppm, mine.shared) == ("radio-mine", 25.0, False)


def test_an_unknown_use_names_the_nearest() -> None:
    with pytest.raises(NotFoundError, match="usb-full-speed"):
        find_uses("usb-ful-speed")
    with pytest.raises(NotFoundError):
        find_uses("us")


def can(quanta: int, phase1: int, phase2: int, jump: int) -> dict[str, Any]:
    segments = {"phase1": phase1, "phase2": phase2, "jump": jump}
    return {"bit_rate": 1e6, "quanta": quanta, **segments}


def document(**tables: Any) -> dict[str, Any]:
    use = {"id": "a-use", "title": "t", "source": "s", "status": "memory"}
    return {"use": use, **tables}


@pytest.mark.parametrize(
    ("tables", "key", "expected"),
    [
        ({}, "tolerance", "ppm, percent or seconds_per_day"),
        ({"tolerance": {}}, "tolerance", "ppm, percent or seconds_per_day"),
        ({"tolerance": {"ppm": 5, "percent": 1}}, "tolerance.percent", "one of"),
        ({"tolerance": {"ppm": -5}}, "tolerance.ppm", "above 0"),
        ({"tolerance": {"pmm": 5, "ppm": 5}}, "tolerance.pmm", "'ppm'?"),
        ({"serial": {}}, "serial.baud", "baud or bauds"),
        ({"serial": {"baud": 1, "bauds": [2]}}, "serial.baud", "baud or bauds"),
        ({"serial": {"bauds": []}}, "serial.bauds", "at least one"),
        ({"serial": {"bauds": [9600, "x"]}}, "serial.bauds[1]", "a number above 0"),
        ({"serial": {"baud": 9600, "data_bits": 12}}, "serial.data_bits", "5 to 9"),
        ({"serial": {"baud": 9, "oversampling": []}}, "serial.oversampling", "4 to 64"),
        (
            {"serial": {"baud": 9, "oversampling": [8, 8]}},
            "serial.oversampling",
            "each of them once",
        ),
        (
            {
                "serial": {"baud": 9, "oversampling": [16, 8]},
                "tolerance": {"comfortable_percent": 2.0},
            },
            "tolerance.comfortable_percent",
            "one figure for each",
        ),
        (
            {"tolerance": {"ppm": 5}, "synchronisation": {"capture_percent": 14}},
            "synchronisation.bits",
            "bits of the field",
        ),
        (
            {
                "serial": {"baud": 9},
                "synchronisation": {"capture_percent": 14, "bits": 8},
            },
            "synchronisation",
            "one of them in a file",
        ),
        ({"can": {"bit_rate": 1e6}}, "can.quanta", "whole number"),
        (
            {"can": can(9, 4, 4, 1)},
            "can.quanta",
            "propagation",
        ),
        (
            {"can": can(10, 2, 4, 3)},
            "can.jump",
            "no more than",
        ),
        (
            {
                "can": can(10, 1, 2, 1),
                "serial": {"baud": 9600},
            },
            "can",
            "one of them",
        ),
    ],
)  # fmt: skip
def test_mistakes_are_named(tables: dict[str, Any], key: str, expected: str) -> None:
    with pytest.raises(ConfigError) as caught:
        uses_from_mapping(document(**tables), "a-use.toml")
    found = {problem.key: problem.expected for problem in caught.value.problems}
    assert expected in found[key]


def test_all_mistakes_of_a_file_at_once() -> None:
    broken = {
        "use": {"id": "USB Port", "titel": "t", "status": "sure"},
        "tolerance": {"percent": "one", "shared": 1},
        "extra": {},
    }
    with pytest.raises(ConfigError) as caught:
        uses_from_mapping(broken, "x.toml")
    keys = {problem.key for problem in caught.value.problems}
    assert keys >= {
        "use.id", "use.titel", "use.title", "use.source", "use.status",
        "tolerance.percent", "tolerance.shared", "extra",
    }  # fmt: skip


def test_a_stated_tolerance_stands_before_the_formula() -> None:
    """MIDI allows each end 1 %, whatever a receiver would bear (IEC 63035, 4.1)."""
    tables = {"tolerance": {"percent": 1}, "serial": {"baud": 31_250}}
    (use,) = uses_from_mapping(document(**tables), "midi.toml")
    assert (use.tolerance_ppm, use.shared) == (10_000, False)


def test_a_broken_file_leaves_the_others(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = tmp_path / "configs" / "uses"
    folder.mkdir(parents=True)
    (folder / "broken.toml").write_text("[use]\nid = 5\n", encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    uses, problems = list_uses()
    assert len(uses) == len(USES)
    assert any(problem.key == "use.id" for problem in problems)
    with pytest.raises(ConfigError, match=r"broken\.toml"):
        load_uses()


def test_can_timing_reaches_the_noun() -> None:
    assert USES["can-500kbit"].bits == BitTiming(
        bit_rate=500e3, quanta=16, phase1=4, phase2=4, jump=4
    )
