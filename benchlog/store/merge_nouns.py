"""Parts, lots, devices and instruments of another database, brought into this one.

What could not be read here stays there, and is named.
"""

import json
from typing import Final

from benchlog.errors import DataError
from benchlog.store.integrity.row_numbers import refuse_odd_numbers
from benchlog.store.reader import Reader
from benchlog.store.sqlite import Connection

_PARTS: Final = """
insert or ignore into parts (id, title, kind, nominal_hz, body)
select id, title, kind, nominal_hz, body from other.parts
where id in (select value from json_each(?))
"""
_LOTS: Final = """
insert into lots (lot, part_id, supplier, size, plan, decision, opened_utc_ns)
select lot, part_id, supplier, size, plan, decision, opened_utc_ns from other.lots
where id in (select value from json_each(?)) and part_id in (select id from parts)
on conflict (part_id, lot) do update set supplier = excluded.supplier,
  size = excluded.size, plan = excluded.plan, decision = excluded.decision
  where lots.plan is null
"""
_OTHER_PLANS: Final = """
select 'lot ' || h.lot || ' of ' || h.part_id from other.lots o
  join lots h on h.part_id = o.part_id and h.lot = o.lot
where o.id in (select value from json_each(?))
  and json_valid(o.plan) and json_valid(h.plan) and json_type(o.plan) = 'object'
  and exists (select 1 from json_each(
      '["lot_size", "sample_size", "accept", "reject", "undecided"]') k
    where json_extract(o.plan, '$.' || k.value)
      is not json_extract(h.plan, '$.' || k.value))
order by h.id
"""
"""Lots that are decided there by another plan than here: by what a decision asks."""
_NEWER_PARTS: Final = """
update parts set (title, kind, nominal_hz, body) = (
  select title, kind, nominal_hz, body from other.parts o where o.id = parts.id)
where id in (select id from other.parts)
"""
"""The part that an import names is brought up to date, as a measurement does."""
_INSTRUMENTS: Final = """
insert or ignore into instruments
  (maker, model, serial, firmware, text, simulated, first_seen_utc_ns)
select maker, model, serial, firmware, text, simulated, first_seen_utc_ns
from other.instruments
where typeof(maker) = 'text' and typeof(model) = 'text' and typeof(serial) = 'text'
  and typeof(firmware) = 'text' and typeof(text) = 'text'
  and typeof(simulated) = 'integer' and typeof(first_seen_utc_ns) = 'integer'
"""
_DEVICES: Final = """
insert or ignore into devices (device, part_id, lot_id)
select d.device, d.part_id, here.id from other.devices d
  left join other.lots l on l.id = d.lot_id
  left join lots here on here.part_id = l.part_id and here.lot = l.lot
where typeof(d.device) = 'text' and d.part_id in (select id from parts)
  and (d.lot_id is null or here.id is not null)
"""


def merge_nouns(
    connection: Connection, reader: Reader, left_out: dict[str, str]
) -> list[str]:
    """Bring in parts, lots, devices and instruments; in the caller's transaction.

    `reader` has the other database open. A part or a lot that cannot be read stays
    there. Returns the lots whose plan there is another one than here, which is kept.
    Raises StoreDamagedError where rows here would not be numbered upwards.
    """
    refuse_odd_numbers(connection)
    parts = [one for one in reader.part_ids() if _is_part(reader, one, left_out)]
    lots = reader.lot_ids()
    left_out.update(reader.left_out)
    for sql, given in (
        (_PARTS, (json.dumps(parts),)),
        (_LOTS, (json.dumps(lots),)),
        (_INSTRUMENTS, ()),
        (_DEVICES, ()),
    ):
        connection.execute(sql, given)
    found = connection.execute(_OTHER_PLANS, (json.dumps(lots),))
    return [str(told) for (told,) in found.fetchall()]


def _is_part(reader: Reader, part_id: str, left_out: dict[str, str]) -> bool:
    try:
        reader.part(part_id)
    except DataError as error:
        left_out[f"part {part_id}"] = str(error)
        return False
    return True


def renew_parts(connection: Connection) -> None:
    """Bring the parts of an import up to date, as a measurement does."""
    connection.execute(_NEWER_PARTS)
