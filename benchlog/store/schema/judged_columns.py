"""The eleventh schema step: views that know an unfinished trim, and what was judged.

A trim that ended before its best code was found counts as little as any run that was
broken off. `judged_ppm` and `judged_u_ppm` are the figures that the limit was held
against: those at the reference temperature where readings were brought there, else as
measured. Both are derived from what is stored. A released step is never edited: what
changes is a new step with new texts.
"""

from typing import Final

from benchlog.store.schema import uid_columns
from benchlog.store.schema.quarantine_table import FIGURES

_AT: Final = f"json_extract({FIGURES}, '$.at_reference.{{0}}')"
_JUDGED: Final = f"""case when {_AT.format("temperature_c")} is null then v.{{0}}
    else {_AT.format("{0}")} end as judged_{{1}}"""
_OTHERWISE: Final = {
    "runs_named": {
        "    when made_for = 'inspect' and verdict_id is null": (
            "    when made_for = 'trim' and how <> 'best code found'\n"
            "      then how || ': no best code found'\n"
            "    when made_for = 'inspect' and verdict_id is null"
        ),
        "u.uid as run_uid\nfrom states s": (
            "u.uid as run_uid,\n"
            f"  {_JUDGED.format('offset_ppm', 'ppm')},\n"
            f"  {_JUDGED.format('u_ppm', 'u_ppm')}\n"
            "from states s"
        ),
    },
    "results": {
        "simulated, run_uid\n": "simulated, run_uid, judged_ppm, judged_u_ppm\n",
    },
    "readings_named": {},
}


def _changed(name: str) -> str:
    view = uid_columns.VIEWS[name]
    for before, after in _OTHERWISE[name].items():
        if before not in view:
            raise ValueError(f"the view {name} has no {before!r}")
        view = view.replace(before, after)
    return view


VIEWS: Final = {name: _changed(name) for name in _OTHERWISE}
