"""What is said of a run afterwards stands beside what it was: nothing is lost."""

import pytest
from store.making import PART, TIMEBASE, begin, connection_of, rows

from benchlog.errors import StoreRefusedError
from benchlog.store.rows import Amendment, VerdictRow
from benchlog.store.snapshot import to_plain


def test_a_corrected_id_counts_and_the_typed_one_is_still_there(writer, reader):
    run, _ = begin(writer, "KX-O412")
    writer.amend(
        run, Amendment(kind="device", reason="O typed", old="KX-O412", new="KX-O41")
    )
    writer.amend(
        run, Amendment(kind="device", reason="once more", old="KX-O41", new="KX-0412")
    )
    found = reader.run(run)
    assert (found.device, found.typed_device) == ("KX-0412", "KX-O412")
    for device in ("KX-0412", "KX-O412"):
        assert [one.id for one in reader.runs(device=device)] == [run], device
    assert reader.runs(device="KX-O41") == []
    assert [one.new for one in reader.amendments(run)] == ["KX-O41", "KX-0412"]


def test_a_void_run_may_be_restored_and_both_stay_told(writer, reader):
    run, _ = begin(writer)
    other, _ = begin(writer)
    assert reader.run(run).void is None
    writer.amend(run, Amendment(kind="void", reason="probe off"))
    assert reader.run(run).void == "probe off"
    assert reader.run(other).void is None
    writer.amend(
        run,
        Amendment(kind="restore", reason="it was another run", operator="A. Tester"),
    )
    assert reader.run(run).void is None
    assert [one.kind for one in reader.amendments(run)] == ["void", "restore"]


def test_amendments_are_never_changed_or_deleted(writer):
    run, _ = begin(writer)
    writer.amend(run, Amendment(kind="void", reason="probe off"))
    for sql in ("update amendments set reason = ''", "delete from amendments"):
        with pytest.raises(Exception, match="amendments are never"):
            connection_of(writer).execute(sql)


def test_no_amendment_without_its_run(writer):
    with pytest.raises(StoreRefusedError, match="no such run"):
        writer.amend(99, Amendment(kind="void", reason="nothing there"))


def test_a_later_verdict_may_rest_on_another_part(writer, reader):
    run, segment = begin(writer)
    writer.commit(rows(run, segment, 3))
    writer.add_verdict(run, VerdictRow(word="fail", rule="first"))
    assert not reader.run(run).judged_again
    part = to_plain(PART) | {"id": "another", "nominal_hz": 8e6}
    basis = {"part": part, "timebase": to_plain(TIMEBASE)}
    writer.add_verdict(
        run, VerdictRow(word="pass", rule="again", figures={"basis": basis})
    )
    found = reader.run(run)
    assert (found.part.id, found.nominal_hz, found.verdict) == ("another", 8e6, "pass")
    assert found.judged_again
    assert found.snapshot["part"]["id"] == PART.id
    assert [one.word for one in reader.verdicts(run)] == ["fail", "pass"]


def test_a_verdict_that_comes_with_a_part_is_said_after_it(writer, reader):
    """Before, it was dated before the part, and a merge left it behind."""
    run, _ = begin(writer)
    ahead_ns = 2_000_000_000 * 10**9  # by a clock that was set back since
    writer.amend(run, Amendment(kind="void", reason="probe off", at_utc_ns=ahead_ns))
    changes = [Amendment(kind=kind, reason="bag", new="x") for kind in ("lot", "part")]
    writer.amend(run, *changes, judged=VerdictRow(word="fail"))
    said = [one.at_utc_ns for one in (*reader.amendments(run), *reader.verdicts(run))]
    assert said == sorted(set(said))
