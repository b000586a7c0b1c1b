"""A plugin of pytest that has every test many times: `-p many_times --times N`.

All tests once, then all of them again: what a module's tests share is made anew.
"""

import pytest


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption("--times", type=int, default=1, help="run every test so often")


def pytest_generate_tests(metafunc: pytest.Metafunc) -> None:
    times = metafunc.config.getoption("times")
    metafunc.fixturenames.append("which_time")
    metafunc.parametrize("which_time", range(1, times + 1), scope="session")
