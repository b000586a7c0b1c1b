"""A lot without a screen: ids from another program, killed, gone on with."""

import os
import signal
from collections import Counter
from contextlib import closing

import pytest
from lot_shop import Shop, document, hear
from waiting import wait_for

from benchlog.errors import StoreError
from benchlog.store.reader import Reader
from benchlog.verdict.lot.sampling_plan import plan_for

FEW = ["--min-readings", "5"]


def named(count: int) -> list[str]:
    return [f"D-{number:03d}" for number in range(1, count + 1)]


def text(ids: list[str]) -> str:
    return "\n".join(ids) + "\n"


def test_a_lot_is_accepted(shop: Shop) -> None:
    done = shop.run(
        [*shop.opening(25, 4, 0, *FEW), "--ids", "-", "--json"], "a\nb\nc\nd\n"
    )
    found = document(done)
    assert done.returncode == 0
    assert found["decision"] == "accepted" and found["passed"] == 4
    assert [device["device"] for device in found["devices"]] == list("abcd")
    assert {"lot", "plan", "devices", "passed", "failed", "undecided"} <= set(found)
    assert found["plan"]["sample_size"] == 4 and found["plan"]["reject"] == 1
    assert all(device["readings"] == 5 for device in found["devices"])
    # nobody has touched the bench: four ids, one device
    doubts = {one["device"]: one["why"] for one in found["doubtful"]}
    assert list(doubts) == ["b", "c", "d"]
    assert all("was it exchanged?" in why for why in doubts.values())
    shown = shop.run([*shop.words("--result", "--json")])
    assert document(shown) == found and shown.returncode == 0
    require_settled(shop)


def test_the_tables_give_the_plan_and_it_stays_with_the_lot(shop: Shop) -> None:
    table = ["--bench", "bench.toml", "--part", "quartz-16mhz-30ppm", *FEW]
    words = shop.words(*table, "--lot-size", "90", "--aql", "2.5", "--ids", "-")
    found = document(shop.run([*words, "--json"], "one\n"))
    plan = plan_for(90, 2.5)
    assert found["plan"]["sample_size"] == plan.sample_size
    assert (found["plan"]["accept"], found["plan"]["reject"]) == (
        plan.accept,
        plan.reject,
    )
    assert found["decision"] == "open" and found["remaining"] == plan.sample_size - 1
    other = shop.run(shop.words("--aql", "1.0", "--ids", "-"), "two\n")
    assert other.returncode == 2 and "keeps it" in other.stderr
    more = shop.run(shop.words("--ids", "-", "--json"), "two\n")
    assert more.returncode == 4
    assert [d["device"] for d in document(more)["devices"]] == ["one", "two"]


@pytest.mark.campaign  # every suite has a device that fails among numbered ones
def test_a_lot_is_rejected_by_its_devices(shop: Shop) -> None:
    with shop.start([*shop.opening(10, 3, 0, *FEW), "--ids", "-"]) as process:
        assert process.stdin is not None
        for number, offset in enumerate((2.0, 80.0, -75.0), start=1):
            shop.bench.insert("A", offset)
            process.stdin.write(f"D-{number}\n")
            process.stdin.flush()
            wait_for(lambda n=number: shop.db.exists() and _done(shop) == n)
        _, said = process.communicate(timeout=30)
    assert process.returncode == 3, said
    assert [run.word for run in shop.runs()] == ["pass", "fail", "fail"]
    found = document(shop.run(shop.words("--result", "--json")))
    assert found["decision"] == "rejected" and found["failed"] == 2
    assert found["reason"].startswith("2 defective (0 allowed)")


def _done(shop: Shop) -> int:
    try:
        return sum(run.counts for run in shop.runs())
    except StoreError:
        return 0


def killed_and_continued(shop: Shop, ids: list[str], accept: int) -> dict[str, object]:
    """Kill the keeper half way through the ids; give all of them again."""
    words = [*shop.opening(10 * len(ids), len(ids), accept, *FEW), "--ids", "-"]
    with shop.start(words, start_new_session=True) as process:
        assert process.stdin is not None
        process.stdin.write(text(ids))
        process.stdin.flush()
        wait_for(lambda: _done(shop) >= len(ids) // 2, 120.0)
        os.killpg(process.pid, signal.SIGKILL)
        process.communicate(timeout=10)
    before = {run.run: run for run in shop.runs() if run.counts}
    assert len(ids) // 2 <= len(before) < len(ids)
    found = document(shop.run([*words, "--json"], text(ids)))
    after = {run.run: run for run in shop.runs() if run.counts}
    assert before.items() <= after.items(), "what was measured has changed"
    assert Counter(run.device for run in after.values()) == Counter(ids)
    broken = [run for run in shop.runs() if not run.counts]
    assert len(broken) <= 1 and all(run.ended_how == "broken off" for run in broken)
    return found


def test_killed_half_way_and_continued_nothing_twice_nothing_lost(shop: Shop) -> None:
    ids = named(4)
    found = killed_and_continued(shop, ids, 0)
    assert [device["device"] for device in found["devices"]] == ids  # type: ignore[attr-defined]
    assert found["decision"] == "accepted" and found["remaining"] == 0


@pytest.mark.slow
def test_a_lot_of_125_killed_half_way_is_decided_as_one_that_was_not(
    shop: Shop,
) -> None:
    ids = named(125)
    found = killed_and_continued(shop, ids, 2)
    whole = [*shop.opening(1250, 125, 2, *FEW), "--ids", "-", "--json"]
    whole[whole.index("L1")] = "L2"
    undisturbed = document(shop.run(whole, text(ids)))
    for key in ("decision", "passed", "failed", "undecided", "remaining", "reason"):
        assert found[key] == undisturbed[key]


def test_interrupted_it_ends_cleanly_and_goes_on(shop: Shop) -> None:
    with shop.start([*shop.opening(20, 3, 0, *FEW), "--ids", "-"]) as process:
        assert process.stdin is not None
        process.stdin.write("a\nb\nc\n")
        process.stdin.flush()
        wait_for(lambda: _done(shop) >= 1)
        process.send_signal(signal.SIGINT)
        out, _ = process.communicate(timeout=30)
    assert process.returncode == 4 and "LOT OPEN" in out
    done = shop.run(shop.words("--ids", "-", "--json"), "a\nb\nc\n")
    assert document(done)["decision"] == "accepted"
    assert Counter(run.device for run in shop.runs() if run.counts) == Counter("abc")


def test_an_id_that_comes_twice_keeps_both_runs_and_is_noted(shop: Shop) -> None:
    found = document(
        shop.run([*shop.opening(20, 3, 0, *FEW), "--ids", "-", "--json"], "a\na\nb\n")
    )
    runs = shop.runs()
    assert [run.device for run in runs] == ["a", "a", "b"]
    assert "twice" in shop.kinds(runs[1].run) and "twice" not in shop.kinds(runs[0].run)
    assert found["devices"][0]["runs"] == [runs[0].run, runs[1].run]
    assert found["remaining"] == 1
    with closing(Reader.open(shop.db)) as reader:
        texts = [event.text for _, event in reader.events(runs[1].run)]
    assert any("was measured once before" in text for text in texts)
    assert any("measured 2 times" in row["why"] for row in found["doubtful"])


def test_what_comes_after_the_sample_is_full_is_told_apart(shop: Shop) -> None:
    words = [*shop.opening(20, 2, 0, *FEW), "--ids", "-"]
    done = shop.run(words, "a\nb\na\nc\n")
    said = [line for line in done.stderr.splitlines() if "not measured" in line]
    assert said == [
        "a is not measured: measured already, pass in run 1, and the sample of 2 is "
        "complete",
        "c is not measured: the sample of 2 is complete",
    ]
    again = shop.run(words, "a\n").stderr
    assert "a is not measured: measured already, pass in run 1\n" in again
    assert len(shop.runs()) == 2


@pytest.mark.campaign  # every suite: at the end of `test_a_lot_is_accepted`
def test_figures_leave_out_what_came_before_it_had_settled(shop: Shop) -> None:
    shop.run([*shop.opening(20, 1, 0, *FEW), "--ids", "-"], "a\n")
    require_settled(shop)


def require_settled(shop: Shop) -> None:
    run = shop.runs()[0]
    show = [*shop.words()[:3], "show", str(run.run), "--json"]
    found = document(shop.run(show))
    assert found["settling"] == 5 and found["readings"] == 5
    assert found["offset_ppm"] == pytest.approx(run.offset_ppm, abs=1e-12)
    assert found["u_ppm"] == pytest.approx(run.u_ppm, abs=1e-12)
    assert any("stored, not used" in reason for reason in found["reasons"])
    assert "settled" in shop.kinds(run.run)


def test_a_second_inspection_of_the_lot_is_refused(shop: Shop) -> None:
    with shop.start([*shop.opening(20, 4, 0), "--ids", "-"]) as process:
        assert process.stdin is not None
        process.stdin.write("a\n")
        process.stdin.flush()
        wait_for(lambda: shop.db.exists() and bool(_begun(shop)))
        second = shop.run(shop.words("--ids", "-"), "b\n")
        process.communicate(timeout=30)
    assert second.returncode == 1 and "in use" in second.stderr


def _begun(shop: Shop) -> int:
    try:
        return len(shop.runs())
    except StoreError:
        return 0


@pytest.mark.parametrize(
    ("more", "said"),
    [
        (["--ids", "-"], "is new"),
        ([], "--ids"),
        (["--ids", "-", "--auto-ids", "X"], "one id"),
        (["--result"], "no lot"),
    ],
)
def test_what_cannot_be_is_said(shop: Shop, more: list[str], said: str) -> None:
    done = shop.run(shop.words(*more))
    assert done.returncode == 2 and said in done.stderr, done.stderr
    assert "Traceback" not in done.stderr


def test_devices_are_seen_to_come_and_go_and_numbered(shop: Shop) -> None:
    shop.bench.remove("A")
    words = [*shop.opening(20, 2, 0, *FEW), "--auto-ids", "K-", "--json"]
    with shop.start(words) as process:
        for number, offset in enumerate((2.0, 60.0), start=1):
            shop.bench.insert("A", offset)
            wait_for(lambda n=number: shop.db.exists() and _done(shop) == n)
            shop.bench.remove("A")
            if number < 2:
                said = hear(process, "the next one, please")
        _, rest = process.communicate(timeout=30)
        said += rest
    assert process.returncode == 3, said
    assert [run.device for run in shop.runs()] == ["K-0001", "K-0002"]
    assert "a device is seen at A" in said and "the next one, please" in said


def test_a_device_taken_out_while_it_is_measured_does_not_count(shop: Shop) -> None:
    words = [*shop.opening(20, 1, 0, "--min-readings", "200"), "--ids", "-", "--json"]
    with shop.start(words) as process:
        assert process.stdin is not None
        process.stdin.write("a\n")
        process.stdin.flush()
        wait_for(lambda: shop.db.exists() and _readings(shop) > 10)
        shop.bench.remove("A")
        process.stdin.close()
        process.stdin = None
        _, said = process.communicate(timeout=30)
    run = shop.runs()[0]
    assert run.set_aside and run.ended_how == "device removed", said
    assert {"removed", "set-aside"} <= set(shop.kinds(run.run))
    assert process.returncode == 4


def _readings(shop: Shop) -> int:
    try:
        with closing(Reader.open(shop.db)) as reader:
            run = reader.latest_run()
            return 0 if run is None else run.readings
    except StoreError:
        return 0


def test_a_label_is_scanned_in_place_of_an_id_and_the_order_is_kept(shop: Shop) -> None:
    bought = ("--supplier", "Invented, Ltd", "--order", "=PO-8812")
    document(
        shop.run(
            [*shop.opening(25, 4, 0, *FEW, *bought), "--ids", "-", "--json"], "a\n"
        )
    )
    with closing(Reader.open(shop.db)) as reader:
        code = f"URN:UUID:{reader.run(1).uid.upper()}"
    elsewhere = "https://records.example/f81d4fae-7dec-11d0-a765-00a0c91e6bf6"
    scanned = f"{elsewhere}\n{code}\nb\n"
    more = shop.run(shop.words("--ids", "-", "--json"), scanned)
    found = document(more)
    assert [device["device"] for device in found["devices"]] == ["a", "b"]
    assert f"there is no run '{elsewhere[-36:]}' in this database" in more.stderr
    assert "a is not measured: measured already, pass in run 1" in more.stderr
    assert found["order"] == "=PO-8812"
    listed = shop.run([*shop.words()[:-3], "lots", "--csv"])
    head, row = listed.stdout.splitlines()
    booked = dict(zip(head.split(","), row.split(","), strict=True))
    assert booked["supplier"] == "Invented%2C Ltd" and booked["order"] == "%3DPO-8812"
    quantities = (
        "lot_size",
        "sample_size",
        "accept",
        "measured",
        "passed",
        "remaining",
    )
    assert [booked[name] for name in quantities] == ["25", "4", "0", "2", "2", "2"]
    assert booked["decision"] == "open" and booked["simulated"] == "yes"
    other = shop.run(shop.words("--ids", "-", "--order", "PO-9"), "c\n")
    assert other.returncode == 2 and "order =PO-8812, and keeps it" in other.stderr
