"""Bench files: drivers' options, dialects, references between tables."""

import subprocess
import sys
from pathlib import Path

import pytest

from benchlog.catalogue import load_bench
from benchlog.errors import ConfigError, NotFoundError
from benchlog.model import Counting, Dialect, ReferenceSpec
from benchlog.model.recorded import recorded_bench
from benchlog.store.snapshot import to_plain

STRANGERS = Path(__file__).parent / "strangers"
BENCH = """
title = "Two places"
[instruments.counter]
driver = "stranger-counter"
address = "TCPIP::192.0.2.1::5025::SOCKET"
gate_s = 1
input = 1
timebase_ppm = 0.05
timebase_ageing_ppm_per_year = 0.1
resolution_hz = 0.001
[instruments.room]
driver = "stranger-room"
simulated = true
[instruments.supply]
driver = "stranger-meter"
address = "x"
[[position]]
name = "A"
frequency = "counter"
ambient = "room"
supply = "supply"
divider = 16
[[position]]
name = "B"
frequency = "counter"
[reference]
counter = "counter"
input = 2
nominal_hz = 1
u_s = 5e-8
"""

HUGE = "gate_s = 0x" + "f" * 5000  # more digits than Python would print

pytestmark = pytest.mark.usefixtures("strangers")


@pytest.fixture
def problems(write, problems_of):
    """Return the problems of a bench file's text."""
    return lambda text: problems_of(load_bench, write("bench.toml", text))


def test_every_key_of_a_bench(write):
    bench = load_bench(write("two.toml", BENCH))
    counter = bench.instruments["counter"]
    assert (bench.name, bench.title) == ("two", "Two places")
    assert counter.timebase_ppm == 0.05
    assert counter.timebase_ageing_ppm_per_year == 0.1
    assert counter.resolution_hz == 0.001
    assert not counter.simulated
    assert bench.instruments["room"].simulated
    assert counter.options["gate_s"] == 1.0
    assert isinstance(counter.options["gate_s"], float)
    assert counter.options["input"] == 1
    assert "coupling" not in counter.options
    assert [position.divider for position in bench.positions] == [16.0, 1.0]
    assert bench.positions[0].supply == "supply"
    assert bench.reference == ReferenceSpec(
        counter="counter", nominal_hz=1.0, input=2, u_s=5e-8, u_ppm=None
    )


def test_the_default_dialect_is_resolved(write):
    dialect = (
        load_bench(write("b.toml", BENCH)).instruments["counter"].options["dialect"]
    )
    assert isinstance(dialect, Dialect)
    assert dialect.name == "scpi-1999"


def test_a_dialect_beside_the_bench(write, lonely, monkeypatch):
    text = "[dialect]\ntitle='mine'\ntalks='scpi'\n[commands]\nread='R?'\n"
    write("benches/words/mine.toml", text)
    named = BENCH.replace("gate_s = 1", 'dialect = "words/mine.toml"')
    path = write("benches/b.toml", named)
    (lonely / "elsewhere").mkdir()
    monkeypatch.chdir(lonely / "elsewhere")
    dialect = load_bench(path).instruments["counter"].options["dialect"]
    assert isinstance(dialect, Dialect)
    assert dialect.commands == {"read": "R?"}


def test_a_dialect_that_does_not_exist(problems):
    found = problems(BENCH.replace("gate_s = 1", 'dialect = "scpi-1998"'))
    assert "did you mean scpi-1999" in found["instruments.counter.dialect"].found


def test_a_dialect_with_faults_of_its_own(write, problems):
    path = write("mine.toml", "[dialect]\ntitle='mine'\ntalks='shouts'\n")
    found = problems(BENCH.replace("gate_s = 1", 'dialect = "mine.toml"\ngate = 1'))
    assert found["dialect.talks"].file == path
    assert found["instruments.counter.gate"].expected == "'gate_s'?"


def test_a_dialect_of_the_wrong_sort(problems):
    found = problems(BENCH.replace("gate_s = 1", 'dialect = "line-hz"'))
    assert "talks line" in found["instruments.counter.dialect"].found


def test_a_drivers_default_dialect_that_does_not_exist(problems):
    text = BENCH.replace("stranger-counter", "stranger-lost-default")
    found = problems(text.replace("gate_s = 1", "").replace("input = 1\n", ""))
    assert "no dialect 'nowhere'" in found["instruments.counter.dialect"].found


def test_a_required_dialect(problems):
    text = BENCH.replace("stranger-counter", "stranger-talker")
    found = problems(text.replace("gate_s = 1", "").replace("input = 1\n", ""))
    assert found["instruments.counter.dialect"].found == "missing"


def test_all_at_once(problems):
    text = BENCH.replace("gate_s = 1", "gate_s = 1000").replace(
        "input = 1\n", "imput = 1\n"
    )
    text = text.replace('ambient = "room"', 'ambient = "rom"')
    text = text.replace("timebase_ppm = 0.05", "timebase_ppm = -1")
    text = text.replace('name = "B"', 'name = "A"').replace("u_s = 5e-8", "u_s = nan")
    found = problems(text)
    assert set(found) == {
        "instruments.counter.gate_s",
        "instruments.counter.imput",
        "position[0].ambient",
        "instruments.counter.timebase_ppm",
        "position[1].name",
        "reference.u_s",
    }
    assert found["instruments.counter.imput"].expected == "'input'?"
    assert found["position[0].ambient"].expected == "'room'?"


@pytest.mark.parametrize(
    ("old", "new", "key", "words"),
    [
        (
            "stranger-counter",
            "strange-counter",
            "instruments.counter.driver",
            "stranger",
        ),
        (
            "stranger-counter",
            "stranger-broken",
            "instruments.counter.driver",
            "imported",
        ),
        ("stranger-counter", "stranger-no-driver", "instruments.counter.driver", ""),
        ('driver = "stranger-counter"', "", "instruments.counter.driver", "driver"),
        ('"stranger-counter"', "3", "instruments.counter.driver", "text"),
        ("address", "adress", "instruments.counter.adress", ""),
        ("address", "adress", "instruments.counter.address", "where"),
        ("TCPIP", "TCPIP\\n", "instruments.counter.address", "one line"),
        ("gate_s = 1", "gate_s = inf", "instruments.counter.gate_s", "finite"),
        ("gate_s = 1", "gate_s = '1 s'", "instruments.counter.gate_s", "number"),
        ("gate_s = 1", HUGE, "instruments.counter.gate_s", "64 bits"),
        ("input = 1\n", "input = 1.5\n", "instruments.counter.input", "whole"),
        ("gate_s = 1", "coupling = 'x'", "instruments.counter.coupling", "ac, dc"),
        ("gate_s = 1", "dialect = 3", "instruments.counter.dialect", "dialect"),
        ("simulated = true", "simulated = 1", "instruments.room.simulated", "true"),
        ('frequency = "counter"', "", "position[0].frequency", "instrument"),
        ('frequency = "counter"', "frequency = 1", "position[0].frequency", "name"),
        ('"counter"\nambient', '"room"\nambient', "position[0].frequency", "frequency"),
        (
            'ambient = "room"',
            'ambient = "supply"',
            "position[0].ambient",
            "temperature",
        ),
        ("divider = 16", "divider = 0", "position[0].divider", "nominal"),
        ('name = "A"', "nam = 'A'", "position[0].nam", "'name'?"),
        ('name = "A"', "name = ' '", "position[0].name", "text"),
        ('counter = "counter"', 'counter = "room"', "reference.counter", "frequency"),
        ('counter = "counter"', 'counter = "cnt"', "reference.counter", "counter"),
        ("u_s = 5e-8", "u_s = 5e-8\nu_ppm = 1", "reference.u_ppm", "either"),
        ("input = 2", "input = 0", "reference.input", "input"),
        ("[reference]", "[refernce]", "refernce", "'reference'?"),
        ("[[position]]", "[[positions]]", "positions", "'position'?"),
        ("title", "titel", "titel", "'title'?"),
    ],
)
def test_each_fault_is_named(problems, old, new, key, words):
    assert words in problems(BENCH.replace(old, new))[key].expected


def test_a_meter_that_is_set_to_temperature_may_give_the_ambient(write):
    text = BENCH.replace(
        'driver = "stranger-meter"', "driver='stranger-meter'\nquantity='temperature'"
    )
    bench = load_bench(write("b.toml", text.replace('"room"', '"supply"')))
    assert bench.positions[0].ambient == "supply"


@pytest.mark.parametrize(
    ("text", "keys"),
    [
        ("", {"instruments", "position"}),
        ("[instruments]\n", {"instruments", "position"}),
        ("instruments = 1\nposition = 2\n", {"instruments", "position"}),
        ("position = [1, {}]\n[instruments.'a b']\n", None),
        ("[instruments]\ncounter = 3\n", {"instruments.counter", "position"}),
    ],
)
def test_hardly_a_bench(problems, text, keys):
    found = problems(text)
    assert keys is None or set(found) == keys


def test_a_bench_for_reference_checks_needs_no_position(write):
    head, _, tail = BENCH.partition("[[position]]")
    bench = load_bench(
        write("b.toml", head + "[reference]" + tail.partition("[reference]")[2])
    )
    assert bench.positions == ()


def test_a_bench_by_a_wrong_name():
    with pytest.raises(NotFoundError, match="no bench 'nowhere'"):
        load_bench("nowhere")


def test_loading_a_bench_imports_no_more_than_its_drivers(write):
    """PyVISA and pySerial are slow to import and may be broken on a host."""
    path = write("b.toml", BENCH)
    code = (
        f"import sys; sys.path.insert(0, {str(STRANGERS)!r})\n"
        "from benchlog.catalogue import load_bench\n"
        f"load_bench({path!r})\n"
        "print(*sorted({'pyvisa', 'serial', 'numpy', 'textual', 'click', 'sqlite3',"
        " 'stranger_benches'} & set(sys.modules)))"
    )
    command = [sys.executable, "-c", code]
    said = subprocess.run(command, capture_output=True, text=True, check=True)
    assert said.stdout.split() == ["stranger_benches"]


COUNTING_BENCH = """
[instruments.counter]
driver = "scpi-counter"
address = "192.0.2.10:5025"
dialect = "{folder}/odd.toml"
{more}
[[position]]
name = "A"
frequency = "counter"
"""
ODD_DIALECT = """
[dialect]
title = "odd"
talks = "scpi"
counting = "averaging"
gapless = true
digits = "cut"
[commands]
read = "READ?"
gate_set = "GATE {gate_s}"
gate_get = "GATE?"
"""


@pytest.mark.parametrize(
    ("more", "counts"),
    [
        ("", Counting(mode="averaging", gapless=True, digits="cut")),
        ("gapless = false", Counting(mode="averaging", gapless=False, digits="cut")),
        (
            'counting = "regression"\ndigits = "rounded"',
            Counting(mode="regression", gapless=True, digits="rounded"),
        ),
    ],
)
def test_how_a_counter_counts_is_the_dialects_unless_the_bench_states_it(
    tmp_path, more, counts
):
    (tmp_path / "odd.toml").write_text(ODD_DIALECT)
    path = tmp_path / "bench.toml"
    path.write_text(COUNTING_BENCH.format(folder=tmp_path, more=more))
    spec = load_bench(str(path)).instruments["counter"]
    assert spec.counts == counts
    kept = recorded_bench(to_plain({"instruments": {"counter": spec}}))
    assert kept.instruments["counter"].counts == counts


def test_a_way_of_counting_that_nobody_knows_is_refused(tmp_path):
    (tmp_path / "odd.toml").write_text(ODD_DIALECT)
    path = tmp_path / "bench.toml"
    more = 'counting = "guessing"\ngapless = "no"\ndigits = "lost"'
    path.write_text(COUNTING_BENCH.format(folder=tmp_path, more=more))
    with pytest.raises(ConfigError) as caught:
        load_bench(str(path))
    said = str(caught.value)
    for part in ("counting", "two-stamps, averaging, regression", "gapless", "digits"):
        assert part in said


def test_no_time_base_is_exact(problems):
    found = problems(BENCH.replace("timebase_ppm = 0.05", "timebase_ppm = 0"))
    problem = found["instruments.counter.timebase_ppm"]
    assert "no time base is exact" in problem.expected


def test_a_bench_tells_its_file_as_it_is_in_any_folder(write):
    """A soak that goes on in another folder looks for its alarm programs there."""
    path = write("corner.toml", BENCH)
    assert load_bench("corner.toml").file == path
