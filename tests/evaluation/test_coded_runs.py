"""Codes of labels: RFC 9562 writes a UUID and its URN; whatever else is no code."""

from uuid import UUID

import pytest
from hypothesis import given
from hypothesis import strategies as st
from screen.scenes import Scene, Stage

from benchlog.errors import NotFoundError, UsageError
from benchlog.evaluation.coded_runs import coded_run, scanned_device
from benchlog.model.run_codes import MOST_CHARACTERS, run_code
from benchlog.store.reader import Reader

UID = "f81d4fae-7dec-11d0-a765-00a0c91e6bf6"  # RFC 9562, section 4: its own example
OTHER = "6ba7b810-9dad-11d1-80b4-00c04fd430c8"  # RFC 9562, section 6.6


@pytest.mark.parametrize(
    "text",
    [
        f"urn:uuid:{UID}",
        f"URN:UUID:{UID.upper()}",
        f"https://records.example/run/{UID}",
        f"HTTP://records.example/?run={UID.upper()}&x=1",
        f"https://r.example/{UID}/again/{UID}",
        f" urn:uuid:{UID}\r\n",
    ],
)
def test_a_urn_and_an_address_name_a_run(text):
    code = run_code(text)
    assert code is not None and code.uid == UID and not code.alone


def test_a_uuid_alone_may_be_a_devices_id():
    code = run_code(UID.upper())
    assert code is not None and code.uid == UID and code.alone


@pytest.mark.parametrize(
    "text",
    [
        "KX-0412", "12", "", UID[:-1], f"{UID}0", f"x{UID}", f"urn:uuid:{UID}/x",
        f"https://r.example/{UID}{UID}", f"https://r.example/{UID}/{OTHER}",
        f"https://r.example/ {UID}", f"file:///{UID}", f"javascript:{UID}",
        f"https://r.example/\x1b[2J{UID}", f"https://r.example/é/{UID}",
        "https://" + "a" * MOST_CHARACTERS + UID, UID.replace("f", "ｆ"),
    ],
)  # fmt: skip
def test_anything_else_is_none(text):
    assert run_code(text) is None


@given(st.text() | st.text(f"{UID}:/?urn#% ") | st.binary().map(repr))
def test_any_text_gives_a_uuid_or_nothing(text: str) -> None:
    code = run_code(text)
    assert code is None or str(UUID(code.uid)) == code.uid


@pytest.fixture
def scene() -> Scene:
    return Scene(offset_ppm=-9.25, scatter_ppm=0.001)


def test_a_code_leads_to_its_run_and_device(stage: Stage, scene: Scene) -> None:
    number = stage.play(scene)
    with Reader.open(stage.database) as reader:
        run = reader.run(number)
        for text in (run.uid, f"urn:uuid:{run.uid}".upper(), f"http://x/{run.uid}"):
            assert scanned_device(reader, text) == run.device
            found = coded_run(reader, text)
            assert found is not None and found.id == number
        assert scanned_device(reader, "KX-1") == "KX-1"
        assert scanned_device(reader, OTHER) == OTHER  # a device may have such an id
        with pytest.raises(NotFoundError, match="another one; type the device's id"):
            scanned_device(reader, f"https://x/{OTHER}")


def test_a_check_of_a_time_base_labels_no_device(stage: Stage, scene: Scene) -> None:
    from dataclasses import replace

    from benchlog.model import Purpose

    number = stage.play(scene)
    with Reader.open(stage.database) as reader:
        run = reader.run(number)
        reader.run = lambda _: replace(run, purpose=Purpose.REFCHECK)  # type: ignore[method-assign]
        with pytest.raises(UsageError, match="checks a time base"):
            scanned_device(reader, run.uid)
