"""`benchlog fitness` as a process, on runs made elsewhere and imported."""

import json
import shutil
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from cli.conftest import Line
from seeds import seeded_generator

PART = "quartz-16mhz-30ppm"


def imported(
    line: Line, ppm: np.ndarray[Any, Any], part: str = "", hz: float = 16e6
) -> None:
    path = line.folder / "made-elsewhere.txt"
    values = hz * (1.0 + ppm * 1e-6)
    path.write_text("\n".join(f"{value:.6f}" for value in values) + "\n")
    words = ["import", path.name, "--nominal-hz", f"{hz:.0f}", "--gate-s", "1"]
    done = line.run(*words, *(["--part", part] if part else []))
    assert done.returncode == 0, done.stderr


def rows(line: Line, *words: str) -> list[dict[str, Any]]:
    done = line.run("fitness", *words, "--json")
    assert done.returncode == 0, done.stderr
    found = json.loads(done.stdout, parse_constant=pytest.fail)
    assert isinstance(found, list)
    return found


@pytest.fixture(scope="module")
def of_a_crystal(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A database with a run of +12 ppm, 0.02 ppm of scatter."""
    line = Line(tmp_path_factory.mktemp("crystal"))
    imported(line, 12.0 + seeded_generator(1).normal(0, 0.02, 40), PART)
    return line.db


@pytest.fixture
def crystal(line: Line, of_a_crystal: Path) -> Line:
    """A database of its own with the run of the crystal."""
    shutil.copy(of_a_crystal, line.db)
    return line


def test_json_is_a_list_with_the_contracts_keys(crystal: Line) -> None:
    found = rows(crystal, "1")
    keys = {"use", "tolerance_ppm", "worst_ppm", "margin", "verdict"}
    assert len(found) > 50
    assert all(keys <= row.keys() for row in found)
    assert {row["verdict"] for row in found} == {"fits", "marginal", "unfit"}
    by_use = {row["use"]: row for row in found}
    # 12 ppm measured and 50 promised over temperature (common practice, no source)
    assert by_use["usb-full-speed"]["verdict"] == "fits"
    assert by_use["usb-full-speed"]["worst_ppm"] == pytest.approx(62, abs=2)
    assert by_use["ieee802154-2450mhz"]["verdict"] == "unfit"
    # 16 MHz, x16: -3.5494 % by its divisor, a data sheet's table
    fast = by_use["serial-x16-115200"]
    assert fast["divisor"]["divisor"] == 9
    assert fast["divisor"]["error_ppm"] == pytest.approx(-35_493.83, abs=0.01)


def test_the_latest_run_is_meant_when_none_is_named(crystal: Line) -> None:
    assert {row["run"] for row in rows(crystal)} == {1}


def test_horizon_range_and_other_end(crystal: Line) -> None:
    def worst(*words: str) -> float:
        (row,) = [r for r in rows(crystal, "1", *words) if r["use"] == "usb-high-speed"]
        return float(row["worst_ppm"])

    plain = worst()
    assert worst("--horizon-years", "10") == pytest.approx(plain + 50)
    assert worst("--range-c", "0", "50") < plain
    assert worst("--other-end-ppm", "20000") == plain
    (link,) = [
        row
        for row in rows(crystal, "1", "--other-end-ppm", "20000")
        if row["use"] == "serial-x16-9600"
    ]
    assert link["tolerance_ppm"] == pytest.approx(25_751.63, abs=0.01)


def test_need_lists_the_run_and_then_the_parts_that_would_do(crystal: Line) -> None:
    found = rows(crystal, "1", "--need", "usb-full-speed")
    assert {row["use"] for row in found} == {"usb-full-speed"}
    assert found[0]["run"] == 1 and found[0]["part"] == PART
    parts = {row["part"]: row["verdict"] for row in found if row["run"] is None}
    assert parts[PART] == "fits" and parts["rc-8mhz-trimmed"] == "unfit"


def test_need_alone_asks_for_no_database(line: Line) -> None:
    found = rows(line, "--need", "lin")
    assert {row["use"].split("-")[0] for row in found} == {"lin"}
    assert not line.db.exists()


def test_a_measured_temperature_law_takes_the_promises_place(line: Line) -> None:
    path = line.folder / "soak.csv"
    room = 25.0 + 8.0 * np.sin(np.arange(600) / 95.0)
    ppm = 40.0 * (room - 25.0) + seeded_generator(2).normal(0, 1.0, 600)
    lines = ["utc,frequency_hz,ambient_c"]
    for i, (value, ambient) in enumerate(zip(ppm, room, strict=True)):
        at = f"2026-03-02T{8 + i // 3600:02d}:{i // 60 % 60:02d}:{i % 60:02d}Z"
        lines.append(f"{at},{8e6 * (1 + value * 1e-6):.4f},{ambient:.4f}")
    path.write_text("\n".join(lines) + "\n")
    done = line.run(
        "import", path.name, "--nominal-hz", "8000000", "--gate-s", "1",
        "--part", "rc-8mhz-delivered",
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    said = line.run(
        "fitness", "1", "--law-from", "1", "--range-c", "15", "35", "--json"
    )
    assert said.returncode == 0, said.stderr
    assert "beyond, it is an extrapolation" in said.stderr
    (term,) = [
        t for t in json.loads(said.stdout)[0]["terms"] if t["name"] == "temperature"
    ]
    assert term["high_ppm"] - term["low_ppm"] == pytest.approx(40 * 20, rel=0.05)
    assert "measured line" in term["text"]


def test_measured_ageing_takes_the_promises_place(line: Line) -> None:
    """A = 0.5 ppm, B = 0.3/day over 60 days: 3.499711 ppm after 3650 days (recomputed).

    From day 60 on that is 3.4997 - 0.5 ln(19) = 2.0275 ppm.
    """
    path = line.folder / "aged.csv"
    days = np.linspace(0.0, 60.0, 600)
    ppm = 0.5 * np.log1p(0.3 * days) + seeded_generator(3).normal(0, 0.002, 600)
    lines = ["utc,frequency_hz"]
    for day, value in zip(days, ppm, strict=True):
        at = np.datetime64("2026-03-02T00:00:00") + np.timedelta64(
            int(day * 86_400_000), "ms"
        )
        lines.append(f"{at}Z,{16e6 * (1 + value * 1e-6):.5f}")
    path.write_text("\n".join(lines) + "\n")
    done = line.run(
        "import", path.name, "--nominal-hz", "16000000", "--gate-s", "1",
        "--part", PART,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    years = f"{(3650 - 60) / 365.25:.6f}"
    words = ("fitness", "1", "--ageing-from", "1", "--horizon-years", years, "--json")
    said = line.run(*words)
    assert said.returncode == 0, said.stderr
    assert "logarithmic law" in said.stderr and "extrapolated from" in said.stderr
    terms = json.loads(said.stdout)[0]["terms"]
    (term,) = [t for t in terms if t["name"] == "ageing"]
    assert term["low_ppm"] == 0.0
    assert 2.0275 <= term["high_ppm"] <= 2.5
    # the part's promise, 5 ppm a year, would have been 49 ppm
    promised = line.run("fitness", "1", "--horizon-years", years, "--json")
    terms = json.loads(promised.stdout)[0]["terms"]
    (term,) = [t for t in terms if t["name"] == "ageing"]
    assert term["high_ppm"] == pytest.approx(5 * float(years), rel=1e-6)


def test_an_hour_says_nothing_of_years(crystal: Line) -> None:
    done = crystal.run("fitness", "1", "--ageing-from", "1", "--horizon-years", "10")
    assert done.returncode == 1
    assert "10 years ahead want 10 days and more" in done.stderr


def test_the_other_end_may_be_a_part(crystal: Line) -> None:
    words = ("1", "--need", "serial-x16-115200", "--other-end", PART)
    (link,) = [row for row in rows(crystal, *words) if row["run"] == 1]
    assert link["verdict"] == "fits" and link["worst_ppm"] < 200
    assert any(term["name"] == "other end" for term in link["terms"])


def test_text_has_words_and_symbols_and_what_another_divisor_would_give(
    line: Line,
) -> None:
    imported(line, np.full(40, 60_000.0), "rc-8mhz-delivered", 8e6)
    done = line.run("fitness", "1")
    assert done.returncode == 0, done.stderr
    assert "✗ unfit" in done.stdout and "✓ fits" in done.stdout
    assert "divisor 5, chosen from the measured frequency" in done.stdout
    assert "s/day" in done.stderr and "sign of an RC" in done.stderr


@pytest.mark.parametrize(
    ("words", "code", "said"),
    [
        (("--need", "usb-ful-speed"), 2, "usb-full-speed"),
        (("--need", "nonsense"), 2, "families: bluetooth, can"),
        (("--need", "usb", "--range-c", "60", "-10"), 2, "the lower one first"),
        (("--need", "usb", "--law-from", "1"), 2, "belong to a measured RUN"),
        (("--ageing-from", "1"), 2, "--horizon-years"),
        (("--other-end", PART, "--other-end-ppm", "5"), 2, "not both"),
        (("--horizon-years", "0"), 2, "above 0"),
        (("7",), 1, "no database"),
    ],
)
def test_mistakes(line: Line, words: tuple[str, ...], code: int, said: str) -> None:
    done = line.run("fitness", *words)
    assert done.returncode == code
    assert said in done.stderr and "Traceback" not in done.stderr
    assert done.stdout == ""


def test_a_broken_use_file_is_named_and_left_out(crystal: Line) -> None:
    folder = crystal.folder / "configs" / "uses"
    folder.mkdir(parents=True)
    (folder / "mine.toml").write_text("[use]\nid = 'x'\n")
    done = crystal.run("fitness", "1", "--json")
    assert done.returncode == 0
    assert "left out: " in done.stderr and "mine.toml" in done.stderr
    assert len(json.loads(done.stdout)) > 50


def test_ones_own_use_by_its_path(crystal: Line, tmp_path: Path) -> None:
    path = tmp_path / "mine.toml"
    path.write_text(
        '[use]\nid="radio-mine"\ntitle="my radio"\nsource="its data sheet"\n'
        'status="verified"\n[tolerance]\nppm=65\n'
    )
    found = rows(crystal, "1", "--need", str(path))
    assert found[0]["use"] == "radio-mine" and found[0]["verdict"] == "marginal"


def test_the_answer_comes_before_the_table(crystal: Line) -> None:
    done = crystal.run("fitness", "1")
    assert done.returncode == 0, done.stderr
    answer, _, figures = done.stdout.partition("\n\n")
    assert answer.startswith(
        "Serial 8N1, 16 or 8 samples a bit, from this source: safe"
    )
    assert "Wall clock: +-" in answer
    assert figures.startswith("use ")
    assert "temperature (-10 to 70 C) and ageing" in " ".join(done.stdout.split())


def test_a_lot_is_asked_through_its_devices(line: Line) -> None:
    corpus = Path(__file__).parent.parent / "frozen" / "corpus" / "day.db"
    shutil.copy(corpus, line.db)
    found = rows(line, "--lot", "B2207")
    assert all(row["devices"] == 13 and row["lot"] == "B2207" for row in found)
    assert all(row["fits"] + row["marginal"] + row["unfit"] == 13 for row in found)
    done = line.run("fitness", "--lot", "B2207")
    assert "from every device" in " ".join(done.stdout.split())
    assert "13 of 13" in done.stdout


@pytest.mark.campaign  # every suite: evaluation/test_fitness_wording.py
def test_a_lot_is_as_good_as_the_worst_of_its_devices(line: Line) -> None:
    corpus = Path(__file__).parent.parent / "frozen" / "corpus" / "day.db"
    shutil.copy(corpus, line.db)
    by_use = {row["use"]: row for row in rows(line, "--lot", "B2207")}
    worst = by_use["usb-full-speed"]
    listed = json.loads(line.run("chips", "--lot", "B2207", "--json").stdout)
    farthest = max(listed["ranking"], key=lambda one: abs(one["offset_ppm"]))
    alone = {
        run: rows(line, str(run), "--need", "usb-full-speed")[0]["worst_ppm"]
        for run in (worst["run"], farthest["run"])
    }
    assert worst["worst_ppm"] == alone[worst["run"]] == max(alone.values())


def test_a_lot_and_a_run_are_not_asked_together(line: Line) -> None:
    done = line.run("fitness", "1", "--lot", "B2207")
    assert done.returncode == 2
    assert "name a RUN or --lot" in done.stderr
