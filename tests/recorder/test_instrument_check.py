"""One instrument in a process of its own: identity and a value, or a clear error."""

import os

import pytest
from warm_program import children_of

from benchlog.clock import host_deadline
from benchlog.model import InstrumentSpec
from benchlog.recorder.instruments.instrument_check import check_instrument


def spec(driver, tmp_path, **options):
    return InstrumentSpec(
        name="counter",
        driver=driver,
        address="",
        options={"state": str(tmp_path / "s"), **options},
    )


def test_it_gives_identity_and_one_value(tmp_path, clock):
    tried = check_instrument(spec("stranger-steady", tmp_path), clock)
    assert tried.error is None
    assert tried.identity.serial == "7"
    assert tried.sample.value == 16e6 - 1


def test_a_driver_that_hangs_is_bounded(tmp_path, clock):
    (tmp_path / "state").touch()
    limit = host_deadline(12.0)
    tried = check_instrument(spec("stranger-stuck-open", tmp_path), clock, limit_s=1.0)
    assert tried.error.kind == "silent"
    assert "stranger-stuck-open" in str(tried.error)
    assert not limit.passed


def test_a_broken_package_is_named(tmp_path, clock):
    tried = check_instrument(spec("stranger-broken", tmp_path), clock)
    assert "stranger_clocks_that_is_missing" in str(tried.error)


def test_an_unknown_driver_is_named_with_near_matches(tmp_path, clock):
    tried = check_instrument(spec("stranger-stedy", tmp_path), clock)
    assert "stranger-steady" in str(tried.error)


def test_nobody_at_the_address_is_a_lost_error(clock):
    nobody = InstrumentSpec(
        name="counter",
        driver="scpi-counter",
        address="TCPIP::127.0.0.1::9::SOCKET",
        options={},
    )
    tried = check_instrument(nobody, clock)
    assert tried.error is not None
    assert str(tried.error)


@pytest.mark.parametrize("driver", ["stranger-steady", "stranger-noisy"])
def test_no_process_is_left(tmp_path, clock, driver):
    before = children_of(os.getpid())  # servers that other tests share
    check_instrument(spec(driver, tmp_path), clock)
    assert children_of(os.getpid()) == before
