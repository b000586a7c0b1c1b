"""Reference checks as a person types them, on simulated benches over real lines."""

import json

import pytest

from benchlog.store.reader import Reader


def refcheck(line, path, *words):
    done = line.run("refcheck", "--bench", path, "--json", *words)
    assert done.stdout, done.stderr
    return done.returncode, json.loads(done.stdout)


def test_sign_by_pulses_and_no_counter_mode(line):
    # stamps of a loaded computer at twenty times its pace: offsets large beside them
    words = ("--reference", "pulses", "--by-pulses", "--timebase-ppm", "20000",
             "--offset-ppm", "-30000", "--host-ppm", "40")  # fmt: skip
    with line.bench(*words) as path:
        code, found = refcheck(line, path, "--for", "40s", "--insist")
        done = line.run(
            "measure", "--bench", path, "--part", "quartz-16mhz-30ppm",
            "--device", "D", "--for", "40s", "--json",
        )  # fmt: skip
    assert code == 0
    assert found["offset_ppm"] == pytest.approx(20_000, abs=2000)
    document = json.loads(done.stdout)
    assert done.returncode == 3 and document["verdict"] == "fail"
    assert document["offset_ppm"] == pytest.approx(-30_000, abs=2000)
    assert document["timing"]["against"] == "pulses of 'receiver'"
    with Reader.open(line.db) as reader:
        names = {edge.instrument for _, edge in reader.edges(document["run"])}
    assert names == {"pulses", "receiver"}
    assert line.run("stability", str(document["run"]), "--json").returncode == 0
    assert line.run("show", str(document["run"])).returncode == 0


def test_a_bench_without_a_reference_says_so(line):
    with line.bench() as path:
        done = line.run("refcheck", "--bench", path, "--for", "20s")
    assert done.returncode == 2
    assert "has no [reference]" in done.stderr


def test_a_check_standard_has_a_history(line):
    with line.bench() as path:
        words = ("--standard", "S", "--part", "quartz-16mhz-30ppm", "--for", "12s")
        first = refcheck(line, path, *words)
        second = refcheck(line, path, "--standard", "S", "--for", "12s")
    assert (first[0], second[0]) == (0, 0)
    assert len(second[1]["history"]) == 2
    assert second[1]["moved"] is None
