"""A lot's keeper that does not begin, or does not end: the screen's command says so."""

import signal

import pytest
from lot_shop import Shop
from lot_table import set_up

from benchlog.errors import BenchlogError
from benchlog.recorder.lot import lot_inspection
from benchlog.recorder.lot.lot_inspection import launch_lot


def test_a_counter_that_is_off_is_named(
    shop: Shop, monkeypatch: pytest.MonkeyPatch
) -> None:
    with set_up(shop, monkeypatch, 300) as table:
        task = table.task
    shop.bench.stop()
    with pytest.raises(BenchlogError, match=r"begin: .*nobody answers") as caught:
        launch_lot(task, shop.db)
    assert caught.value.exit_code == 1


def test_a_lot_that_another_keeper_has_is_told_to_be_in_use(
    shop: Shop, monkeypatch: pytest.MonkeyPatch
) -> None:
    with set_up(shop, monkeypatch, 300) as table:
        with pytest.raises(BenchlogError, match=r"begin: .*in use"):
            launch_lot(table.task, shop.db)
        assert table.ask("status").ok, "the first one goes on"


def test_a_keeper_that_does_not_end_when_the_screen_is_left_is_told(
    shop: Shop, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Before, who left while a long burn was seen out met a TimeoutExpired."""
    with set_up(shop, monkeypatch, 300) as table:
        process = table.launched.process
        process.send_signal(signal.SIGSTOP)
        with monkeypatch.context() as patch:
            patch.setattr(lot_inspection, "_QUIT_S", 0.5)
            with pytest.raises(BenchlogError, match=r"has not ended .* being burned"):
                table.launched.close()
        process.send_signal(signal.SIGCONT)
