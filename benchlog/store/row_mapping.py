"""Rows of the database back into the nouns of the model."""

from collections.abc import Iterable, Mapping
from dataclasses import replace
from typing import Any, Final

from benchlog.model import (
    Condition,
    Edge,
    Event,
    Flag,
    Identity,
    ReferenceCheck,
)
from benchlog.store.logged_tables import CONDITIONS, EDGES, EVENTS
from benchlog.store.rows import VerdictRow
from benchlog.store.run_queries import AMENDED, Named
from benchlog.store.schema.quarantine_table import FIGURES, IN_QUARANTINE
from benchlog.store.snapshot_types import (
    check_columns,
    check_number,
    columns_of,
    parsed,
    table,
)

Ordered = tuple[Any, ...]
"""A row in the order of its query: names cost what is logged by the 100,000 a third."""

COUNT: Final = """
select cast((select total(n) from outline where run_id = :run) as integer)
  + (select count(*) from readings where run_id = :run and id > ifnull(
    (select max(last_id) from outline where run_id = :run), 0))
"""
"""Counting by the outline: a million readings are a thousand rows of it."""
RAW_TEXTS: Final = """
select id, raw from readings where run_id = ? and raw is not null
  and id in (select value from json_each(?))
"""
RAW_WITHIN: Final = """
select id, raw from readings where run_id = ? and id between ? and ?
  and raw is not null
"""
STAMPED_WITHIN: Final = """
select id from readings where run_id = ? and id between ? and ? and utc_ns = ?
"""
CONDITION_SPANS: Final = """
select quantity, unit, instrument, count(*) as n, min(value) as least,
  avg(value) as mean, max(value) as most
from conditions where run_id = ? group by quantity, unit, instrument
order by min(id)
"""
SEGMENTS: Final = """
select id, began_utc_ns, began_mono_ns, boot_id from segments
where run_id = ? order by id
"""
AMENDMENTS: Final = """
select kind, reason, old, new, operator, at_utc_ns from amendments
where run_id = ? order by at_utc_ns, id
"""
MENDED_MARKS: Final = """
with newest as (select kind, new, row_number() over (
    partition by kind order by at_utc_ns desc, id desc) as nth
    from amendments where run_id = :run and kind like 'mark %'),
  marks as (select id, 'mark ' || row_number() over (order by id) as place
    from events where run_id = :run and kind = 'mark'
      and exists (select 1 from newest))
select m.id, n.new from marks m join newest n on n.kind = m.place and n.nth = 1
"""
"""Marks are numbered in their order, which a merge keeps; their ids it does not."""
RESULTS: Final = f"""
select r.*, json_extract({FIGURES}, '$.at_reference.temperature_c') as reference_c,
  json_extract({FIGURES}, '$.at_reference.offset_ppm') as offset_at_reference_ppm,
  json_extract({FIGURES}, '$.at_reference.u_ppm') as u_at_reference_ppm
from results r left join verdicts v on v.id = (select id from verdicts
  where run_id = r.run order by at_utc_ns desc, id desc limit 1)
"""  # noqa: S608 - our own text
"""The view `results`, and what was judged where readings were brought to the reference
temperature; `reference_c` is null where none was."""
VERDICTS: Final = """
select word, offset_ppm, u_ppm, limit_ppm, conformance, rule, figures, at_utc_ns
from verdicts where run_id = ? order by at_utc_ns, id
"""
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


# --- what is logged by the 100,000: a row in the declared order of its table


NOUNS: Final = {
    table: table.select(("id", *table.noun_columns))
    for table in (EVENTS, CONDITIONS, EDGES)
}
_CONDITION_FLAGS: Final = CONDITIONS.noun_columns.index("flags")
_EDGE_FLAGS: Final = EDGES.noun_columns.index("flags")


def event_from(row: Ordered) -> tuple[int, Event]:
    """Rebuild an Event from its id and the columns of the noun; its id first."""
    number, *fields = row
    return number, Event(*fields)


def events_from(
    rows: Iterable[Ordered], mended: Mapping[int, str]
) -> list[tuple[int, Event]]:
    """Rebuild events with their ids; marks that were corrected have the new text."""
    found = [event_from(row) for row in rows]
    if not mended:
        return found
    return [(i, replace(one, text=mended.get(i, one.text))) for i, one in found]


def condition_from(row: Ordered) -> tuple[int, Condition]:
    """Rebuild a Condition from its id and the columns of the noun; its id first."""
    number, *fields = row
    fields[_CONDITION_FLAGS] = Flag(fields[_CONDITION_FLAGS])
    return number, Condition(*fields)


def edge_from(row: Ordered) -> tuple[int, Edge]:
    """Rebuild an Edge from its id and the columns of the noun; its id first."""
    number, *fields = row
    fields[_EDGE_FLAGS] = Flag(fields[_EDGE_FLAGS])
    return number, Edge(*fields)


def verdict_from(row: Named) -> VerdictRow:
    """Rebuild a VerdictRow from a row of `VERDICTS`; no figures where they are none."""
    try:
        figures = dict(table(parsed(row["figures"]), "figures"))
    except ValueError:
        figures = {}
    return VerdictRow(**{**row, "figures": figures})


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
