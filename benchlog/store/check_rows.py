"""Reference checks: the queries for them, and their rows back into the noun."""

from typing import Final

from benchlog.model import Identity, ReferenceCheck
from benchlog.store.run_queries import AMENDED, Named
from benchlog.store.schema.quarantine_table import IN_QUARANTINE
from benchlog.store.snapshot_types import check_columns, check_number, columns_of

_CHECKS: Final = f"""{AMENDED}
select i.text, i.maker, i.model, i.serial, i.firmware, i.simulated, c.offset_ppm,
  c.u_ppm, c.method, c.at_utc_ns, c.valid_until_utc_ns, c.run_id, a.void, c.id
from reference_checks c join instruments i on i.id = c.instrument_id
  left join amended a on a.run_id = c.run_id
  left join runs u on u.id = c.run_id
where not {IN_QUARANTINE}
  and not exists(select 1 from quarantine q where q.record = 'reference check'
    and q.number = c.id and q.done = 'put in' and not exists(
      select 1 from quarantine later where later.record = q.record
        and later.number = q.number and later.id > q.id))
"""  # noqa: S608 - our own text
ALL_CHECKS: Final = f"""{_CHECKS}
  and (:serial is null or i.serial = :serial) order by c.at_utc_ns, c.id
"""
STANDING_CHECKS: Final = f"""{_CHECKS}
  and i.serial = :serial and a.void is null order by c.at_utc_ns, c.id
"""
_CHECK_COLUMNS: Final = columns_of(
    text="text maker model serial firmware method void",
    whole="simulated at_utc_ns valid_until_utc_ns run_id",
)


def reference_check_from(row: Named) -> ReferenceCheck:
    """Rebuild a ReferenceCheck from a row of `ALL_CHECKS`.

    Raises ValueError for one whose figures correct nothing.
    """
    check_columns(row, _CHECK_COLUMNS)
    check_number("offset_ppm", row["offset_ppm"])
    check_number("u_ppm", row["u_ppm"], least=0.0)
    return ReferenceCheck(
        instrument=Identity(
            text=row["text"],
            maker=row["maker"],
            model=row["model"],
            serial=row["serial"],
            firmware=row["firmware"],
            simulated=bool(row["simulated"]),
        ),
        offset_ppm=row["offset_ppm"],
        u_ppm=row["u_ppm"],
        method=row["method"],
        at_utc_ns=row["at_utc_ns"],
        valid_until_utc_ns=row["valid_until_utc_ns"],
        run_id=row["run_id"],
        void=row["void"],
    )
