"""Finding runs, devices and results; what does not count is told everywhere alike."""

import csv
import io
import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner
from schemas_held import hold_printed
from store.making import PART, begin, rows

import benchlog
from benchlog.cli import root
from benchlog.clock import VirtualClock
from benchlog.evaluation.document import verdict_row
from benchlog.evaluation.run_evaluation import evaluate
from benchlog.exchange.dataset.write import write_dataset
from benchlog.exchange.spreadsheet_cells import text_of
from benchlog.model import Event, EventKind, Flag, Lot, Purpose
from benchlog.store.reader import Reader
from benchlog.store.writer import Writer

HOSTILE = '=HYPERLINK("http://x")'
Ask = Callable[..., tuple[str, str, int]]


class Shop:
    """A database that is filled with runs, an hour after each other."""

    def __init__(self, folder: Path) -> None:
        self.path = folder / "shop.db"
        self.clock = VirtualClock(now_utc_ns=1_900_000_000 * 10**9)

    def run(
        self,
        device: str,
        how: str = "verdict clear",
        *,
        kind: str | None = None,
        mark: str | None = None,
        **more: object,
    ) -> int:
        self.clock.sleep(3600.0)
        more = {"until_clear": True, **more}
        with Writer.open(self.path, self.clock) as writer:
            run, segment = begin(writer, device, **more)
            writer.commit(rows(run, segment, 12))
            said = [(EventKind.MARK, mark)] if mark else []
            said += [(kind, "said")] if kind else []
            now = self.clock.utc_ns(), self.clock.mono_ns()
            events = [(run, segment, Event(*now, *one)) for one in said]
            writer.commit(events)
            writer.end_run(run, how)
            with Reader.open(self.path) as reader:
                found = evaluate(reader, run)
            writer.add_verdict(run, verdict_row(found, "rule"))
        return run


@pytest.fixture
def shop(tmp_path: Path) -> Shop:
    return Shop(tmp_path)


@pytest.fixture
def ask(shop: Shop) -> Ask:
    def asked(*words: str) -> tuple[str, str, int]:
        env = {"BENCHLOG_DB": str(shop.path), "COLUMNS": "120"}
        done = CliRunner().invoke(root, words, prog_name="benchlog", env=env)
        if done.exception and not isinstance(done.exception, SystemExit):
            raise done.exception
        hold_printed(words, done.stdout)
        return done.stdout, done.stderr, done.exit_code

    return asked


def told(ask: Ask, *words: str) -> object:
    return json.loads(ask(*words, "--json")[0])


def numbers(ask: Ask, *words: str) -> list[int]:
    return [one["run"] for one in told(ask, "runs", *words)]


def test_runs_are_found_by_lot_time_text_and_verdict(shop: Shop, ask: Ask) -> None:
    first = shop.run("KX-1", lot="L1", purpose=Purpose.INSPECT, note="Reel 7")
    second = shop.run("KX-2", lot="L2", operator="R. Reeler")
    third = shop.run("KX-3", kind=EventKind.SET_ASIDE)
    assert numbers(ask, "--lot", "L1") == [first]
    assert numbers(ask, "--like", "reel") == [second, first]
    assert numbers(ask, "--verdict", "does-not-count") == [third]
    (word,) = {one["verdict"] for one in told(ask, "runs", "--lot", "L1")}
    assert numbers(ask, "--verdict", word) == [second, first]
    began = told(ask, "runs", "--lot", "L2")[0]["started"]
    assert numbers(ask, "--since", began) == [third, second]
    assert numbers(ask, "--since", "2100-01-01") == []
    assert ask("runs", "--since", "yesteryear")[2] == 2
    text = ask("runs", "--limit", "1")
    assert "the newest 1 are listed" in text[1]


def test_every_list_counts_the_readings_that_the_figures_are_of(
    shop: Shop, ask: Ask
) -> None:
    """Those from before a device had settled are kept, and are in no figure."""
    with Writer.open(shop.path, shop.clock) as writer:
        run, segment = begin(writer, "KX-1", lot="L1", until_clear=True)
        settling = [
            (run, segment, replace(one, flags=one.flags | Flag.SETTLING))
            for run, segment, one in rows(run, segment, 5)
        ]
        writer.commit([*settling, *rows(run, segment, 12, first=5)])
        assert told(ask, "runs")[0]["readings"] == 17, "how many there are so far"
        writer.end_run(run, "verdict clear")
        assert told(ask, "runs")[0]["readings"] == 12, "no verdict is kept yet"
        with Reader.open(shop.path) as reader:
            writer.add_verdict(run, verdict_row(evaluate(reader, run), "rule"))
            folder = shop.path.with_suffix(".set")
            write_dataset(reader, folder)
    for words in (("runs",), ("runs", "--dataset", str(folder)), ("results",)):
        assert told(ask, *words)[0]["readings"] == 12, words
    assert told(ask, "show", str(run))["readings"] == 12
    assert benchlog.runs(shop.path)[0].readings == 12
    assert len(benchlog.readings(shop.path, run)) == 17


def test_what_was_asked_for_at_once_or_in_vain_is_told(
    shop: Shop, ask: Ask, tmp_path: Path
) -> None:
    run = shop.run("KX-1", lot="L1", purpose=Purpose.INSPECT)
    folder, out = str(tmp_path / "set"), str(tmp_path / "out.csv")
    assert ask("export", "--dataset", folder)[2] == 0
    for command in ("lots", "results"):
        for words in (("--csv",), ("--out", out)):
            assert "--json prints one document" in ask(command, *words, "--json")[1]
    for words in ((), ("--dataset", folder)):
        _, said, code = ask("chips", "--lot", "L7", *words)
        assert code == 2 and "no lot 'L7'; did you mean L1?" in said
    _, said, code = ask("export", "--dataset", folder, "--out", out)
    assert code == 2 and "--out" in said
    assert not Path(out).exists()
    Path(out).touch()
    assert "add --overwrite" in ask("lots", "--out", out)[1]
    _, said, _ = ask("inspect", "--lot", "L7", "--result")
    assert "no lot 'L7' (open one with" in said
    assert ask("correct", str(run), "--device", "KX-9", "--reason", "misread")[2] == 0
    ask("export", "--dataset", folder)
    assert "(typed as KX-1)" in ask("runs", "--dataset", folder)[0]


def test_an_empty_address_is_not_the_folder_that_one_is_in(
    shop: Shop, ask: Ask, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As where a script writes `--dataset "$FACTORY"`, and nobody has set it."""
    shop.run("KX-1")
    monkeypatch.chdir(tmp_path)
    before = sorted(tmp_path.iterdir())
    for empty in ("", " "):
        _, said, code = ask("export", "--dataset", empty)
        assert code == 2 and "it is empty" in said
    assert sorted(tmp_path.iterdir()) == before


def test_a_run_that_was_taken_back_is_no_pass_in_any_list(shop: Shop, ask: Ask) -> None:
    run = shop.run("KX-1", kind=EventKind.SET_ASIDE, lot="L1", purpose=Purpose.INSPECT)
    good = shop.run("KX-1", lot="L1", purpose=Purpose.INSPECT)
    said = "does not count: taken back"
    for words in (("runs",), ("show", str(run)), ("compare", str(run), str(good))):
        assert said in ask(*words)[0], words
    assert said in ask("fitness", str(run))[1]
    (listed,) = (one for one in told(ask, "runs") if one["run"] == run)
    shown = told(ask, "show", str(run))
    for document in (listed, shown):
        assert (document["counts"], document["does_not_count"]) == (False, "taken back")
    assert told(ask, "show", str(good))["counts"] is True
    assert [one["run"] for one in told(ask, "results")] == [good]
    chips = told(ask, "chips", "--lot", "L1")["ranking"]
    assert [one["run"] for one in chips] == [good]


def test_results_refuse_what_they_cannot_have(shop: Shop, ask: Ask) -> None:
    shop.run("KX-1", kind=EventKind.SET_ASIDE, lot="L1")
    text, said, code = ask("results", "--verdict", "does-not-count")
    assert (text, code) == ("", 2)
    assert "runs --verdict does-not-count lists those" in " ".join(said.split())
    assert len(told(ask, "runs", "--verdict", "does-not-count")) == 1


def test_a_damaged_device_has_failed_wherever_it_is_shown(shop: Shop, ask: Ask) -> None:
    run = shop.run("KX-1", kind=EventKind.DAMAGED, lot="L1", purpose=Purpose.INSPECT)
    assert "fail, damaged" in ask("runs")[0]
    assert "FAIL, the device is damaged" in ask("show", str(run))[0]
    for words in (("runs",), ("results",)):
        assert told(ask, *words)[0]["verdict"] == "fail"
    assert told(ask, "show", str(run))["verdict"] == "fail"
    assert told(ask, "chips", "--lot", "L1")["ranking"][0]["word"] == "fail"


def test_a_check_of_a_time_base_judges_nothing(shop: Shop, ask: Ask) -> None:
    shop.run("reference", purpose=Purpose.REFCHECK, checks="counter")
    text, said, _ = ask("runs")
    assert "time base check" in text and "undecided" not in text
    assert "a time base that is fast reads low" in said  # as `refcheck` never has it
    assert told(ask, "runs")[0]["verdict"] is None
    assert told(ask, "devices") == [] == told(ask, "results")


def test_a_device_shows_its_newest_run_that_counts(shop: Shop, ask: Ask) -> None:
    shop.run("KX-1")
    newest = shop.run("KX-1")
    shop.run("KX-1", "interrupted")
    alone = shop.run("KX-2")
    digits = shop.run("0412")
    assert told(ask, "show", "KX-1")["run"] == newest
    _, why, _ = ask("show", "KX-1")
    assert "KX-1 has 3 runs" in why and f"run {newest}, the newest that counts" in why
    assert "benchlog runs --device KX-1" in why
    assert told(ask, "show", "KX-2")["run"] == alone and not ask("show", "KX-2")[1]
    assert told(ask, "show", "--device", "0412")["run"] == digits
    assert told(ask, "show", str(alone))["run"] == alone
    code, why = ask("show", "KX-9")[2], ask("show", "KX-9")[1]
    assert code == 2 and "benchlog devices" in why


def test_devices_have_a_line_each(shop: Shop, ask: Ask) -> None:
    shop.run("KX-1")
    newest = shop.run("KX-1")
    shop.run("KX-1", kind=EventKind.SET_ASIDE)
    broken = shop.run("KX-2", "interrupted", lot="L1")
    second, first = told(ask, "devices")[::-1]
    assert (second["device"], second["run"], len(second["runs"])) == ("KX-1", newest, 3)
    assert (first["run"], first["does_not_count"]) == (broken, "interrupted")
    assert [one["device"] for one in told(ask, "devices", "--lot", "L1")] == ["KX-2"]
    assert "does not count: interrupted" in ask("devices")[0]


def test_results_as_csv_are_no_formulas(shop: Shop, ask: Ask, tmp_path: Path) -> None:
    shop.run(HOSTILE, operator="@A,B\n=1+1")
    shop.run("KX-2")
    shop.run("KX-3", "terminal closed")
    text, _, _ = ask("results", "--csv")
    found = list(csv.DictReader(io.StringIO(text)))
    assert [text_of(row["device"]) for row in found] == ["KX-2", HOSTILE]
    assert text_of(found[1]["operator"]) == "@A,B\n=1+1"
    assert not any(
        cell[:1] in "=+@\t" for row in found for cell in row.values() if cell
    )
    assert len(text.splitlines()) == 3
    out = tmp_path / "results.csv"
    assert ask("results", "--out", str(out))[2] == 0
    assert out.read_text() == text
    assert ask("results", "--out", str(out))[2] != 0, "no file is replaced unasked"


def test_a_lot_made_by_measure_is_a_lot_everywhere(
    shop: Shop, ask: Ask, tmp_path: Path
) -> None:
    shop.run("C1", lot="RC")
    shop.run("C2", "interrupted", lot="RC")
    last = shop.run("C1", lot="RC")
    (lot,) = told(ask, "lots")
    assert (lot["lot"], lot["plan"], lot["decision"]) == ("RC", None, "open")
    assert [one["run"] for one in lot["devices"]] == [last]
    assert [one["does_not_count"] for one in lot["not_counted"]] == [
        f"measured again in run {last}",
        "interrupted",
    ]
    assert "no plan" in ask("lots")[0]
    assert ask("report", "--lot", "RC", "--out", str(tmp_path / "rc.html"))[2] == 0
    assert "does not count" in (tmp_path / "rc.html").read_text().casefold()
    if ask("export", "--dataset", str(tmp_path / "set"))[2] == 0:
        (there,) = told(ask, "lots", "--dataset", str(tmp_path / "set"))
        assert there["devices"] == lot["devices"]


def test_a_lot_is_not_decided_on_a_wider_limit(shop: Shop, ask: Ask) -> None:
    plan = {
        "lot_size": 2, "sample_size": 2, "accept": 0, "reject": 1, "kind": "custom",
        "level": None, "aql_percent": None, "severity": None, "code_letter": None,
        "used_letter": None, "full": False, "status": None, "doubts": [],
    }  # fmt: skip
    with Writer.open(shop.path, shop.clock) as writer:
        writer.open_lot(Lot(lot="L1", part_id=PART.id, size=2, plan=plan), PART)
    good = shop.run("A", lot="L1", purpose=Purpose.INSPECT)
    wide = shop.run("B", lot="L1", purpose=Purpose.INSPECT)
    assert told(ask, "lots")[0]["decision"] == "accepted"
    with Writer.open(shop.path, shop.clock) as writer:
        with Reader.open(shop.path) as reader:
            row = verdict_row(evaluate(reader, wide), "the rule before")
        assert row.word == "pass"
        writer.add_verdict(wide, replace(row, limit_ppm=80.0))
    (lot,) = told(ask, "lots")
    words = {one["run"]: one["verdict"] for one in lot["devices"]}
    assert words == {good: "pass", wide: "undecided"}
    assert (lot["decision"], lot["undecided"]) == ("open", 1)
    (why,) = (one["why"] for one in lot["doubtful"] if one["run"] == wide)
    assert "wider limit: judge it again" in why and f"benchlog judge {wide}" in why
    assert ask("judge", str(wide))[2] == 0
    assert told(ask, "lots")[0]["decision"] == "accepted"
    asked = shop.run("B", lot="L1", purpose=Purpose.INSPECT, over_temperature=True)
    assert told(ask, "lots")[0]["decision"] == "accepted"
    assert told(ask, "lots")[0]["devices"][1]["run"] == asked


# --- what was mistyped


def test_part_lot_operator_and_marks_are_corrected_and_taken_back(
    shop: Shop, ask: Ask
) -> None:
    run = shop.run("KX-1", lot="L1", operator="R. O.", mark="suply 2.8 V")
    why = ("--reason", "slip", "--operator", "B. C.")
    done = ask("correct", str(run), "--lot", "L2", "--measured-by", "R. P.", *why)
    assert done[2] == 0, done
    assert ask("correct", str(run), "--mark", "1", "supply 2.8 V", *why)[2] == 0
    shown = told(ask, "show", str(run))
    assert (shown["lot"], shown["operator"]) == ("L2", "R. P.")
    assert "supply 2.8 V" in [one["text"] for one in shown["events"]]
    said = [(one["kind"], one["old"], one["new"]) for one in shown["amendments"]]
    assert said == [
        ("lot", "L1", "L2"),
        ("operator", "R. O.", "R. P."),
        ("mark 1", "suply 2.8 V", "supply 2.8 V"),
    ]
    assert {one["operator"] for one in shown["amendments"]} == {"B. C."}
    assert numbers(ask, "--lot", "L1") == [] and numbers(ask, "--lot", "L2") == [run]
    assert told(ask, "results")[0]["lot"] == "L2"
    assert {one["lot"] for one in told(ask, "lots")} == {"L2"}
    text = ask("show", str(run))[0]
    assert "mark 1" in text and "suply 2.8 V" in text, "both stay readable"
    assert ask("correct", str(run), "--lot", "L1", *why)[2] == 0
    assert numbers(ask, "--lot", "L1") == [run]
    assert ask("correct", str(run), "--no-lot", *why)[2] == 0
    assert told(ask, "runs")[0]["lot"] is None
    assert ask("correct", str(run), *why)[2] == 2
    assert ask("correct", str(run), "--mark", "2", "x", *why)[2] == 2
    with Reader.open(shop.path) as reader:
        typed = [event.text for _, event in reader.events(run)]
    assert "supply 2.8 V" in typed


def test_another_part_is_judged_again_and_filed_there(shop: Shop, ask: Ask) -> None:
    run = shop.run("KX-1", lot="L1")
    new = "quartz-16mhz-50ppm"
    done = ask("correct", str(run), "--part", new, "--reason", "wrong bag")
    assert done[2] == 0, done
    (listed,) = told(ask, "runs", "--part", new)
    assert (listed["run"], listed["part"], listed["judged_again"]) == (run, new, True)
    assert numbers(ask, "--part", PART.id) == []
    assert [row["part"] for row in told(ask, "results")] == [new]
    assert [lot["part"] for lot in told(ask, "lots")] == [new]
    assert len(told(ask, "show", str(run))["verdicts"]) == 2


def test_a_lot_of_another_part_is_not_said_to_be_missing(shop: Shop, ask: Ask) -> None:
    with Writer.open(shop.path, shop.clock) as writer:
        writer.open_lot(Lot(lot="L1", part_id=PART.id, plan={"full": True}), PART)
    other = ("--part", "quartz-16mhz-50ppm")
    for words in (("inspect", "--lot", "L1", "--result"), ("fitness", "--lot", "L1")):
        _, said, code = ask(*words, *other)
        assert code == 2 and f"lot 'L1' is of {PART.id}" in said, words
        assert "did you mean" not in said


def test_results_have_the_figures_that_the_limit_was_held_against(
    shop: Shop, ask: Ask
) -> None:
    """In a cool room it is the offset at 25 C: another one than that measured."""
    inside = shop.run("KX-1")
    with Writer.open(shop.path, shop.clock) as writer:
        cold, segment = begin(writer, "KX-2", until_clear=True)
        cool = [
            (run, seg, replace(one, ambient_c=15.0))
            for run, seg, one in rows(cold, segment, 12)
        ]
        writer.commit(cool)
        writer.end_run(cold, "verdict clear")
        with Reader.open(shop.path) as reader:
            found = evaluate(reader, cold)
        writer.add_verdict(cold, verdict_row(found, "rule"))
    at = found.assessment.at_reference
    assert at is not None and at.n_outside == 12
    by_run = {row["run"]: row for row in told(ask, "results")}
    row = by_run[cold]
    assert (row["judged_ppm"], row["judged_u_ppm"]) == (at.offset_ppm, at.u_ppm)
    assert row["u_ppm"] != row["judged_u_ppm"]
    row = by_run[inside]
    assert (row["judged_ppm"], row["judged_u_ppm"]) == (row["offset_ppm"], row["u_ppm"])
    text, _, _ = ask("results")
    (line,) = [one for one in text.splitlines() if one.startswith("KX-2")]
    assert ", at 25 C: " in line and "+-" in line
    (line,) = [one for one in text.splitlines() if one.startswith("KX-1")]
    assert "at 25 C" not in line
    text, _, _ = ask("results", "--csv")
    assert text.splitlines()[0].endswith("simulated,judged_ppm,judged_u_ppm")


@pytest.mark.parametrize("command", ["runs", "devices", "results"])
def test_a_misspelt_id_in_a_list_has_the_one_that_is_near(shop, ask, command):
    """Before, an empty list told to measure something."""
    shop.run("KX-0412", lot="L-2207")
    for option, typed, meant in (
        ("--device", "KX-0142", "KX-0412"),
        ("--part", f"{PART.id}x", PART.id),
        ("--lot", "L-2270", "L-2207"),
    ):
        out, said, code = ask(command, option, typed)
        assert (out, code) == ("", 0)
        assert f"{typed!r}; did you mean {meant}?" in said
    assert "did you mean" not in ask(command, "--lot", "L-2207", "--verdict", "fail")[1]


@pytest.mark.campaign  # every suite: the next test, as far as nothing is drawn
def test_a_page_of_a_device_is_of_its_newest_that_counts(
    shop: Shop, ask: Ask, tmp_path: Path
) -> None:
    newest = shop.run("KX-2")
    shop.run("KX-2", "interrupted")
    page = tmp_path / "page.html"
    assert f"run {newest}, the newest" in ask("report", "KX-2", "--out", str(page))[1]
    assert "KX-2" in page.read_text("utf-8")


def test_where_a_run_is_wanted_a_device_names_its_newest_that_counts(
    shop: Shop, ask: Ask, tmp_path: Path
) -> None:
    first, second = shop.run("KX-1"), shop.run("KX-2")
    shop.run("KX-2", "interrupted")
    out, said, code = ask("compare", "KX-1", "KX-2")
    assert code == 0 and f"run {second} against run {first}" in out
    assert f"KX-2 has 2 runs; run {second}, the newest that counts, is taken" in said
    page = f"report --out {tmp_path / 'page.html'}"
    assert "there is no device 'KX-3'; did you mean" in ask(*page.split(), "KX-3")[1]
    for words in (
        *("ageing", "temperature", "stability", "response", "fitness"),
        *("export", "hat KX-1 KX-1", "fitness --law-from"),
    ):
        command, *more = words.split()
        assert f"run {second}, the newest" in ask(command, *more, "KX-2")[1]
        said = ask(command, *more, "KX-3")[1]
        assert "there is no device 'KX-3'; did you mean KX-2 or KX-1?" in said
