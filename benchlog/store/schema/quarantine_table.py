"""The seventh schema step: records put aside, and views that bear one unreadable.

A record in quarantine stays as it is, every byte; a row here tells all who read to
leave it out, and a later row takes it out again. The views of the fifth step leave such
runs out, and no text that is not JSON stops them. A released step is never edited: what
changes is a new step with new texts.
"""

from typing import Final

from benchlog.store.schema import named_views

IN_QUARANTINE: Final = """ifnull((select q.done from quarantine q
    where q.record = 'run' and q.number = u.id order by q.id desc limit 1)
    = 'put in', 0)"""
"""Whether a run of `u` is in quarantine: the newest row tells."""
SNAPSHOT: Final = "case when json_valid(u.snapshot) then u.snapshot end"
"""The snapshot of a run of `u`; null where it is no JSON, which ends a query."""
FIGURES: Final = "case when json_valid(v.figures) then v.figures end"
"""What a verdict `v` keeps beside its word; null where it is no JSON."""

TABLE: Final = (
    """
create table quarantine (
  id integer primary key,
  record text not null,
  number integer not null,
  done text not null check (done in ('put in', 'taken out')),
  reason text not null,
  at_utc_ns integer not null,
  software text not null
) strict
""",
    "create index quarantine_of_record on quarantine (record, number)",
    """
create trigger quarantine_keep_on_update before update on quarantine
begin select raise(abort, 'quarantine are never changed'); end
""",
    """
create trigger quarantine_keep_on_delete before delete on quarantine
begin select raise(abort, 'quarantine are never deleted'); end
""",
)
"""`record` is `run`, `lot` or `reference check`, `number` its id."""

_OTHERWISE: Final = {
    "u.snapshot, '$": f"{SNAPSHOT}, '$",
    "v.figures, '$": f"{FIGURES}, '$",
    "left join amended a on a.run_id = u.id),": (
        f"left join amended a on a.run_id = u.id\n    where not {IN_QUARANTINE}),"
    ),
}


def _guarded(view: str) -> str:
    for before, after in _OTHERWISE.items():
        if before not in view:
            raise ValueError(f"the view has no {before!r}")
        view = view.replace(before, after)
    return view


VIEWS: Final = {
    "runs_named": _guarded(named_views.RUNS_NAMED),
    "results": named_views.RESULTS,
    "readings_named": named_views.READINGS_NAMED,
}
