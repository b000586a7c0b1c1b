"""What came in while SQLite looked up no reference is looked at, once."""

import pytest
from store.making import begin, connection_of

from benchlog.errors import StoreRefusedError
from benchlog.store.integrity.references import highest_rows, refuse_dangling

_RUN = """
insert into runs (purpose, device_id, bench, position, nominal_hz, divider, simulated,
  started_utc_ns, operator, note, software, snapshot, control, uid)
select purpose, 999, bench, position, nominal_hz, divider, simulated, started_utc_ns,
  operator, note, software, snapshot, control, 'another' from runs
"""


def test_a_row_that_refers_to_none_is_refused(writer):
    begin(writer, "D1")
    connection = connection_of(writer)
    before = highest_rows(connection)
    refuse_dangling(connection, before)  # nothing came in
    connection.execute("pragma foreign_keys=off")
    connection.execute("begin")
    connection.execute(_RUN)
    with pytest.raises(StoreRefusedError, match="refers to no row of devices"):
        refuse_dangling(connection, before)
    # what was there before is the business of `check`
    refuse_dangling(connection, highest_rows(connection))
    connection.execute("rollback")


def test_references_are_looked_up_again_after_an_import(writer, tmp_path):
    from benchlog.clock import VirtualClock
    from benchlog.exchange.import_file import import_file
    from benchlog.exchange.import_options import ImportOptions

    file = tmp_path / "plain.csv"
    file.write_text("".join(f"{at},16000000.{at}\n" for at in range(20)))
    import_file(file, writer, VirtualClock(), ImportOptions(nominal_hz=16e6))
    connection = connection_of(writer)
    assert connection.execute("pragma foreign_keys").fetchone() == (1,)
    assert connection.execute("pragma foreign_key_check").fetchall() == []
