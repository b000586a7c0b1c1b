"""What holds for all tests: threads, warm starts, who goes first, patience, locks.

numpy's OpenBLAS starts a thread for each core; they spin while waiting for each other.
Beside other workers on the same cores a fit took nine times the processor time.
"""

import gc
import os
import subprocess
import sys
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Literal

import pytest
from hypothesis import HealthCheck, settings, strategies
from tiers import TIMED
from warm_program import warm_inner_starts

gc.disable()  # all that is collected stays: looking for garbage doubled the time of it
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
warm_inner_starts()

# A busy computer is no fault of an example. What repeats a failure is printed with it.
settings.register_profile(
    "busy", deadline=None, print_blob=True, suppress_health_check=[HealthCheck.too_slow]
)
settings.load_profile("busy")

HERE = Path(__file__).parent
APART = {HERE / name for name in ("benchmarks", "finders", "fuzz")}
"""Folders without a test of every day; to import them took a tenth of collecting.
Files of which all is a campaign are added below."""
LONG = ("soak", "recorder/rack", "trim", "forwarding", "inspect", "test_docs.py")
"""Where single tests take ten seconds: begun last, they would keep one core busy."""
CAMPAIGNS = (
    # kills, faults and chips one after another
    *("soak/test_soak.py", "store/test_kill.py", "forwarding/test_kills.py"),
    *(
        "forwarding/test_to_datasets.py::test_kills",
        "trim/test_line.py::test_ten_chips",
    ),
    # spoilt input by the hundred
    *("catalogue/test_hostile.py", "exchange/test_imports.py::test_no_file", "fuzz"),
    *("recorder/test_hostile_replies.py", "exchange/test_exports.py::test_any_reading"),
    # runs, pages and screens in words, where the suite has one of each kind
    *(f"frozen/test_frozen{x}.py::test_what_more" for x in ("", "_states", "_screens")),
    # simulated runs by the hundred, and programs that find constants from scratch
    *("finders", "analysis/every/test_every_exact.py", "analysis/test_hat_coverage.py"),
    *("analysis/characteristics/test_campaign.py::test_intervals_hold",),
    *("analysis/characteristics/test_hysteresis.py::test_a_place_that_stands_out",),
    *("analysis/characteristics/test_hysteresis.py::test_a_smooth_difference",),
    *("analysis/characteristics/test_wander.py::test_hysteresis_is_held_whatever",),
    *("analysis/test_over_time.py::test_what_did_not_change",),
    *("analysis/test_stability.py::test_intervals_hold", "verdict/test_risk.py"),
    *("verdict/test_earlystop.py::test_small_campaign",),
    *("verdict/test_refcheck_campaign.py", "recorder/rack/test_coverage.py"),
)
"""What takes seconds each, and tells of rare cases: apart, and in CI with the rest.

Further cases of tests whose first case every suite has are marked beside them."""
APART |= {HERE / name for name in CAMPAIGNS if name.endswith(".py")}


def pytest_configure(config: pytest.Config) -> None:
    """Have a state folder, and compile the tests before several workers would do it.

    A simulated bench has a new address each time, so the user's own folder would get
    thousands of lock files, and every driver that is opened looks through them. Each
    worker has its own: what one has let go of, as a pty's number, is another's.
    """
    state = TemporaryDirectory(prefix="benchlog-state-", ignore_cleanup_errors=True)
    config.add_cleanup(state.cleanup)
    os.environ["XDG_STATE_HOME"] = state.name
    several = config.getoption("numprocesses", None)
    if several and not hasattr(config, "workerinput") and not _are_compiled():
        files = [str(one) for one in sorted(HERE.rglob("test_*.py"))]
        count = min(os.cpu_count() or 1, several)
        words = [sys.executable, "-m", "pytest", "--collect-only", "--quiet"]
        words += ["-p", "no:xdist", "-p", "no:cacheprovider"]
        parts = [
            subprocess.Popen([*words, *files[n::count]], stdout=subprocess.DEVNULL)
            for n in range(count)
        ]
        for part in parts:
            part.wait()


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_setupnodes() -> None:
    """Have hypothesis make its tables of characters, which it keeps, before workers do.

    They take 2 s of processor time.
    """
    strategies.text().validate()


def _are_compiled() -> bool:
    """Whether most are, or cannot be."""
    if sys.dont_write_bytecode or sys.pycache_prefix is not None:
        return True
    files = sum(1 for _ in HERE.rglob("test_*.py"))
    tag = sys.implementation.cache_tag
    there = sum(1 for _ in HERE.rglob(f"__pycache__/test_*.{tag}-pytest-*.pyc"))
    return there > files / 2


def pytest_ignore_collect(
    collection_path: Path, config: pytest.Config
) -> Literal[True] | None:
    """Read nothing of `APART` where all tests are asked for and none of them is."""
    everything = config.args_source is pytest.Config.ArgsSource.TESTPATHS
    usual = config.getini("addopts")
    if everything and collection_path in APART and config.option.markexpr in usual:
        return True
    return None


@pytest.hookimpl(tryfirst=True)  # before what `-m` names is chosen
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Put what is long first; neighbours stay together, as they share benches."""
    long, timed = (tuple(str(HERE / one) for one in names) for names in (LONG, TIMED))
    paths = {item.path: str(item.path) for item in items}  # of 9,000 items in 500 files
    items.sort(key=lambda item: not paths[item.path].startswith(long))
    for item in items:
        if paths[item.path].startswith(timed):
            item.add_marker("timed")
        short = item.get_closest_marker("slow") is None
        if short and item.nodeid.removeprefix("tests/").startswith(CAMPAIGNS):
            item.add_marker("campaign")


def pytest_collection_finish() -> None:
    """Look for garbage from here on, but seldom, and never among the tests themselves.

    As often as Python does by itself it took a tenth of the time of screens.
    """
    if "textual.app" in sys.modules:  # only where there are screens
        from styles import parse_styles_once

        parse_styles_once()
    gc.freeze()
    gc.set_threshold(10_000, 10, 10)
    gc.enable()
