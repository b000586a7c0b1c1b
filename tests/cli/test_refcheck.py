"""Reference checks as a person types them, on simulated benches over real lines."""

import json
from dataclasses import replace

import pytest
from click.testing import CliRunner

from benchlog.catalogue import load_dialect
from benchlog.cli import root
from benchlog.cli.tasks.reference_check_text import check_text
from benchlog.driver_kit.settings import setting_fault
from benchlog.evaluation.check_document import check_document
from benchlog.evaluation.reference_finding import Weighed
from benchlog.model import Identity, InstrumentSpec, ReferenceCheck
from benchlog.store.reader import Reader
from benchlog.testing import Script, TcpPeer
from benchlog.verdict.run.budget import BudgetLine, budget_of
from benchlog.verdict.timebase.governing_check import UNUSED, stated_goes_on
from benchlog.verdict.timebase.reference_check import Finding


def refcheck(line, path, *words):
    done = line.run("refcheck", "--bench", path, "--json", *words)
    assert done.stdout, done.stderr
    return done.returncode, json.loads(done.stdout)


WITHIN_PPM = 6000
HALF_A_SIGN_PPM = 10_000


def is_sound(done):
    """Whether pulses were stamped in time, which figures tell by their U."""
    u_ppm = json.loads(done.stdout)["u_ppm"] if done.stdout else None
    return u_ppm is not None and u_ppm <= WITHIN_PPM


def stability_of(line, done):
    """What `stability` says; of pulses that were stamped too late it has none."""
    return line.run("stability", str(json.loads(done.stdout)["run"]), "--json")


def checked_and_measured(line, *words):
    """Return a check and a measurement; at a slower pace where the computer is busy."""
    for slower in (line, replace(line, scale="5"), replace(line, scale="2")):
        with slower.bench(*words) as path:
            how = ("--bench", path, "--for", "40s", "--json")
            device = ("--part", "quartz-16mhz-30ppm", "--device", "D")
            check = slower.run("refcheck", *how, "--insist")
            if not is_sound(check) and slower.scale != "2":
                continue
            done = slower.run("measure", *how, *device)
        if is_sound(done) and stability_of(line, done).returncode == 0:
            break
    assert check.stdout, check.stderr
    return check, done


def test_sign_by_pulses_and_no_counter_mode(line):
    # stamps of a loaded computer at twenty times its pace: offsets large beside them.
    # A wrong sign, or a check that is not applied, is 20,000 ppm and more away. Half of
    # that is allowed: once, beside busy loops, 7,256 were told with a U below 6,000.
    words = ("--reference", "pulses", "--by-pulses", "--timebase-ppm", "20000",
             "--offset-ppm", "-30000", "--host-ppm", "40")  # fmt: skip
    check, done = checked_and_measured(line, *words)
    found, document = json.loads(check.stdout), json.loads(done.stdout)
    assert check.returncode == 0
    assert found["offset_ppm"] == pytest.approx(20_000, abs=HALF_A_SIGN_PPM)
    assert done.returncode == 3 and document["verdict"] == "fail"
    assert document["offset_ppm"] == pytest.approx(-30_000, abs=HALF_A_SIGN_PPM)
    assert document["timing"]["against"] == "pulses of 'receiver'"
    with Reader.open(line.db) as reader:
        names = {edge.instrument for _, edge in reader.edges(document["run"])}
    assert names == {"pulses", "receiver"}
    assert stability_of(line, done).returncode == 0
    assert line.run("show", str(document["run"])).returncode == 0


def test_a_bench_without_a_reference_says_so(line):
    with line.bench() as path:
        done = line.run("refcheck", "--bench", path, "--for", "20s")
    assert done.returncode == 2
    assert "has no [reference]" in done.stderr


@pytest.mark.campaign  # every suite: test_reference_chain.py, where one has moved
def test_a_check_standard_has_a_history(line):
    with line.bench() as path:
        words = ("--standard", "S", "--part", "quartz-16mhz-30ppm", "--for", "12s")
        first = refcheck(line, path, *words)
        second = refcheck(line, path, "--standard", "S", "--for", "12s")
    assert (first[0], second[0]) == (0, 0)
    assert len(second[1]["history"]) == 2
    assert second[1]["moved"] is None


def test_a_very_poor_check_says_that_it_is_not_used():
    # 40 s of pulses on a busy computer: nothing is told of a time base of +-0.05 ppm
    counter = InstrumentSpec(name="counter", driver="scpi-counter", timebase_ppm=0.05)
    budget = budget_of([BudgetLine(name="statistics", u_ppm=170.5)])
    finding = Finding(
        offset_ppm=-156.0,
        budget=budget,
        pulses=41,
        missed=0,
        set_aside=0,
        span_s=40.0,
        drift=None,
        method="pulses",
    )
    who = Identity("M,C,7,1", "M", "C", "7", "1")
    check = ReferenceCheck(
        instrument=who,
        offset_ppm=-156.0,
        u_ppm=170.5,
        method="pulses",
        at_utc_ns=1,
        valid_until_utc_ns=10**18,
    )
    unused = f"{UNUSED}: {stated_goes_on(counter, [], check)}"
    weighed = Weighed(kept=True, refusals=(), warnings=(), notes=(), unused=unused)
    document = check_document(check, finding, weighed)
    assert document["kept"] and not document["in_use"]
    of = {"counter": "counter", "nominal_hz": 1.0}
    text = " ".join(check_text(check, finding, weighed, **of).split())
    assert "-156 +- 334 ppm (95 %), no offset can be told" in text
    assert "slow" not in text and "fast" not in text
    assert "NOT USED as things stand now: the +-0.05 ppm that timebase_ppm" in text
    sure = replace(finding, offset_ppm=-600.0)
    assert "ppm (95 %), slow" in check_text(check, sure, weighed, **of)


@pytest.mark.parametrize("dialect", ["scpi-1999", "scpi-inputs"])
def test_check_bench_knows_which_input_refcheck_will_be_refused(tmp_path, dialect):
    answers = {
        "*IDN?": "MAKER,COUNTER,7,1.0",
        "SYSTem:ERRor?": '0,"No error"',
        "SENSe:FREQuency:APERture?": "1",
    }
    path = tmp_path / "corner.toml"
    with TcpPeer(Script(answers, value=("READ?", "+1.5999852E+07"))) as peer:
        path.write_text(
            f'[instruments.counter]\ndriver = "scpi-counter"\ndialect = "{dialect}"\n'
            f'address = "{peer.host}:{peer.port}"\n'
            '[[position]]\nname = "A"\nfrequency = "counter"\n'
            '[reference]\ncounter = "counter"\nnominal_hz = 10e6\ninput = 2\n'
        )
        asked = ["check-bench", str(path), "--db", str(tmp_path / "x.db"), "--json"]
        done = CliRunner().invoke(root, asked)
    (row,) = json.loads(done.stdout)
    assert row["value"] == 15_999_852
    if dialect == "scpi-inputs":
        assert done.exit_code == 0 and row["ok"] and row["refcheck"]
        return
    assert done.exit_code == 1 and not row["ok"] and not row["refcheck"]
    said = setting_fault(load_dialect(dialect), "input", f"{peer.host}:{peer.port}")
    assert row["error"] == f"[reference] input = 2: {said}"
    assert "'scpi-inputs'" in said


@pytest.mark.parametrize("driver", ["scpi-counter", "line-counter"])
def test_an_input_that_cannot_be_chosen_is_refused_before_a_run_begins(
    tmp_path, driver
):
    """A run began before the refusal; `line-counter` read on at its one input."""
    path, db = tmp_path / "corner.toml", tmp_path / "x.db"
    path.write_text(
        f'[instruments.counter]\ndriver = "{driver}"\n'
        f'dialect = "{"scpi-1999" if driver == "scpi-counter" else "line-hz"}"\n'
        'address = "127.0.0.1:9"\n'
        '[[position]]\nname = "A"\nfrequency = "counter"\n'
        '[reference]\ncounter = "counter"\nnominal_hz = 10e6\ninput = 2\n'
    )
    words = ["refcheck", "--bench", str(path), "--for", "20s", "--db", str(db)]
    done = CliRunner().invoke(root, words)
    assert done.exit_code == 2
    assert "[reference] input = 2: " in done.stderr and str(path) in done.stderr
    assert not db.exists()
