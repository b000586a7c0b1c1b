"""The twelfth schema step: views that tell when readings were made, and of what part.

`started` of an import is when its readings were made, as lists have it: what its file
says, or its first reading; null where neither tells. It was when it was imported.
`judged_as` is the part that the verdict is on, where that is not the part that the run
is said to be of; `results` names it beside its verdict. Of a device it has the run
whose readings were made last, whenever it came in; what has no date is not newer than
what has one. A released step is never edited: what changes is a new step with new
texts.
"""

from collections.abc import Mapping
from typing import TYPE_CHECKING, Final

from benchlog.store.schema import judged_columns
from benchlog.store.schema.quarantine_table import FIGURES, SNAPSHOT

if TYPE_CHECKING:
    from sqlite_utils import Database

_SAID: Final = f"json_extract({SNAPSHOT}, '$.origin.run.{{0}}_utc_ns')"
_IS_SAID: Final = f"json_type({SNAPSHOT}, '$.origin.run.{{0}}_utc_ns') = 'integer'"
_IS_COPY: Final = f"""(json_type({SNAPSHOT}, '$.origin.run') = 'object'
        and json_extract({SNAPSHOT}, '$.origin.run') <> '{{}}')"""
_FIRST: Final = (
    "select ifnull(utc_ns, -1) from readings where run_id = u.id order by id"
)
MADE: Final = f"""case when {_IS_SAID.format("started")} and {_IS_SAID.format("ended")}
        then {_SAID.format("started")}
      when u.purpose <> 'import' or {_IS_COPY} then u.started_utc_ns
      when ({_FIRST} desc limit 1) >= 0
        then (select nullif(max(utc_ns, -1), -1) from readings
          where run_id = u.id order by id limit 1)
      end"""  # noqa: S608 - our own text
"""When the readings of a run of `u` were begun, as `RunReader.made_utc_ns` has it."""
_JUDGED_ON: Final = f"""ifnull(json_extract({FIGURES}, '$.basis.part.id'),
    json_extract({SNAPSHOT}, '$.part.id'))"""
_OTHERWISE: Final = {
    "runs_named": (
        (
            "u.started_utc_ns,\n    ",
            f"u.started_utc_ns,\n    {MADE} as made_utc_ns,\n    ",
        ),
        (" s.started_utc_ns,", " s.made_utc_ns as started_utc_ns,"),
        ("s.started_utc_ns", "s.made_utc_ns"),
        (
            "\nfrom states s",
            f",\n  case when {_JUDGED_ON} <> s.part then {_JUDGED_ON} end as judged_as"
            "\nfrom states s",
        ),
    ),
    "results": (
        (
            "select run, device, part,",
            "select run, device, ifnull(judged_as, part) as part,",
        ),
        (
            "order by started_utc_ns desc",
            "order by ifnull(started_utc_ns, -1) desc",
        ),
    ),
    "readings_named": (),
}


def _changed(name: str) -> str:
    view = judged_columns.VIEWS[name]
    for before, after in _OTHERWISE[name]:
        if before not in view:
            raise ValueError(f"the view {name} has no {before!r}")
        view = view.replace(before, after)
    return view


VIEWS: Final = {name: _changed(name) for name in _OTHERWISE}


def views_anew(db: "Database", views: Mapping[str, str]) -> None:
    """Put views in the place of those of before, which may rest on each other."""
    for name in reversed(list(views)):
        db.execute(f"drop view {name}")
    for name, view in views.items():
        db.create_view(name, view)
