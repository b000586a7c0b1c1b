"""The view of the readings as the first, second and fourth schema step made it.

A released step is never edited: these texts stay as they are.
"""

from typing import Final

READINGS_NAMED: Final = """
select r.id, r.run_id, r.segment_id, d.device, d.part_id as part, l.lot, u.position,
  u.purpose,
  case when r.utc_ns >= 0 then
    strftime('%Y-%m-%dT%H:%M:%S', r.utc_ns / 1000000000, 'unixepoch')
    || printf('.%09dZ', r.utc_ns % 1000000000) end as utc,
  r.utc_ns, r.mono_ns, r.gate_s, r.frequency_hz, r.ambient_c, u.nominal_hz, u.divider,
  (r.frequency_hz * u.divider - u.nominal_hz) / u.nominal_hz * 1e6 as offset_raw_ppm,
  r.flags, u.simulated, r.raw
from readings r
  join runs u on u.id = r.run_id
  join devices d on d.id = u.device_id
  left join lots l on l.id = d.lot_id
"""
AMENDED_NAMED: Final = """
select r.id, r.run_id, r.segment_id, ifnull(a.new, d.device) as device,
  d.part_id as part, l.lot, u.position, u.purpose,
  case when r.utc_ns >= 0 then
    strftime('%Y-%m-%dT%H:%M:%S', r.utc_ns / 1000000000, 'unixepoch')
    || printf('.%09dZ', r.utc_ns % 1000000000) end as utc,
  r.utc_ns, r.mono_ns, r.gate_s, r.frequency_hz, r.ambient_c, u.nominal_hz, u.divider,
  (r.frequency_hz * u.divider - u.nominal_hz) / u.nominal_hz * 1e6 as offset_raw_ppm,
  r.flags, u.simulated, r.raw, d.device as device_typed,
  ifnull(v.kind = 'void', 0) as voided
from readings r
  join runs u on u.id = r.run_id
  join devices d on d.id = u.device_id
  left join lots l on l.id = d.lot_id
  left join (select run_id, new, max(id) from amendments where kind = 'device'
    group by run_id) a on a.run_id = r.run_id
  left join (select run_id, kind, max(id) from amendments
    where kind in ('void', 'restore') group by run_id) v on v.run_id = r.run_id
"""

BY_TIME: Final = {
    """(select run_id, new, max(id) from amendments where kind = 'device'
    group by run_id) a""": """(select run_id, new, row_number() over (
      partition by run_id order by at_utc_ns desc, id desc) as nth
    from amendments where kind = 'device') a""",
    "a.run_id = r.run_id": "a.run_id = r.run_id and a.nth = 1",
    """(select run_id, kind, max(id) from amendments
    where kind in ('void', 'restore') group by run_id) v""": """(
    select run_id, kind, row_number() over (
      partition by run_id order by at_utc_ns desc, id desc) as nth
    from amendments where kind in ('void', 'restore')) v""",
    "v.run_id = r.run_id": "v.run_id = r.run_id and v.nth = 1",
}
"""What of the view the fourth step says in another way."""
