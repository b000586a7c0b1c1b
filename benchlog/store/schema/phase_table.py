"""The table of the sixth schema step: phase that was imported, as it was.

A released step is never edited: what changes is a new step with new texts.
"""

from typing import Final

STATEMENTS: Final = (
    """
create table phases (
  id integer primary key,
  run_id integer not null references runs(id),
  segment_id integer not null references segments(id),
  utc_ns integer,
  mono_ns integer not null,
  phase_s real not null,
  flags integer not null,
  raw text,
  check (abs(phase_s) < 9e999)
) strict
""",
    "create index idx_phases_run_id on phases (run_id)",
    """
create trigger phases_keep_on_update before update on phases
begin select raise(abort, 'phases are never changed'); end
""",
    """
create trigger phases_keep_on_delete before delete on phases
begin select raise(abort, 'phases are never deleted'); end
""",
)
"""An infinity (9e999 is one) would be stored unasked."""
