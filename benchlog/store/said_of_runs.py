"""Bringing what was said of a run elsewhere: verdicts and amendments.

A verdict is one on readings: of a run that is here already it comes where the readings
are the same. The part that a run is said to be comes with its verdict or not at all,
since a verdict would else be shown as one on that part.
"""

from collections.abc import Mapping
from typing import Final

from benchlog.store.grown_runs import RunThere
from benchlog.store.sqlite import Connection

_CONCLUDED: Final = {
    "verdicts": "at_utc_ns, word, offset_ppm, u_ppm, limit_ppm, conformance, rule, "
    "figures",
    "amendments": "at_utc_ns, kind, old, new, reason, operator",
}
_ON_CORRECTED_PART: Final = """
 and o.at_utc_ns >= (select max(at_utc_ns) from other.amendments a
  where a.run_id = o.run_id and a.kind = 'part') - 1"""
"""Versions before 2026-12-01 dated the verdict on another part 1 ns before the part,
where the device was corrected with it."""
_PART_CORRECTED: Final = """
select exists(select 1 from other.amendments o where o.run_id = :run
  and o.kind = 'part' and not exists (select 1 from amendments h
    where h.run_id = :here and h.kind = 'part' and h.at_utc_ns = o.at_utc_ns))
"""
_JUDGED_LATER: Final = """
select exists(select 1 from verdicts h where h.run_id = :here
  and h.at_utc_ns > (select max(at_utc_ns) from other.amendments
    where run_id = :run and kind = 'part')
  and not exists (select 1 from other.verdicts o
    where o.run_id = :run and o.at_utc_ns = h.at_utc_ns))
"""
_PART_UNKNOWN_THERE: Final = """
select h.at_utc_ns from amendments h where h.run_id = :here and h.kind = 'part'
  and h.at_utc_ns = (select max(at_utc_ns) from amendments
    where run_id = :here and kind = 'part')
  and not exists (select 1 from other.amendments o where o.run_id = :run
    and o.kind = 'part' and o.at_utc_ns = h.at_utc_ns)
"""


def bring_all(connection: Connection, run: int, here: int) -> None:
    """Bring in all that was said of a run that has just come in."""
    _concluded(connection, run, here, tuple(_CONCLUDED))


def bring_said(
    connection: Connection, run: int, here: int, rest: RunThere, *, is_copy: bool
) -> tuple[int, bool]:
    """Bring in what was said there of a run that is here already.

    `is_copy`: one of the two is an import. Returns how much came, and whether something
    stayed there that was said of another part or of fewer readings than are here.
    """
    if rest is RunThere.APART:
        return 0, False
    both = {"run": run, "here": here}
    is_behind = rest is RunThere.BEHIND
    if _one(connection, _PART_CORRECTED, both) and (
        is_behind or _one(connection, _JUDGED_LATER, both)
    ):
        return 0, True
    said = _concluded(connection, run, here, ("amendments",))
    if is_behind:
        return said, False
    # a copy may have been judged against another part: its verdicts stay its own,
    # but those that were given when that part was corrected
    which = _ON_CORRECTED_PART if is_copy else ""
    corrected_ns = _one(connection, _PART_UNKNOWN_THERE, both)
    if corrected_ns is None:
        said += _concluded(connection, run, here, ("verdicts",), which)
        return said, False
    later = f"{which} and o.at_utc_ns > {corrected_ns:d}"
    stays = connection.execute(
        f"select 1 from other.verdicts o where o.run_id = ?{later}",  # noqa: S608 - ours
        (run,),
    ).fetchone()
    which += f" and o.at_utc_ns <= {corrected_ns:d}"
    said += _concluded(connection, run, here, ("verdicts",), which)
    return said, stays is not None


def _one(connection: Connection, sql: str, both: Mapping[str, int]) -> int | None:
    found = connection.execute(sql, both).fetchone()
    return None if found is None else int(found[0])


def _concluded(
    connection: Connection,
    run: int,
    here: int,
    tables: tuple[str, ...],
    which: str = "",
) -> int:
    """Bring in what was concluded of a run and is not here yet; return how much.

    `which` narrows the rows `o` there.
    """
    brought = 0
    for table in tables:
        columns = _CONCLUDED[table]
        first = columns.split(", ")[:2]
        same = " and ".join(f"h.{name} = o.{name}" for name in first)
        brought += connection.execute(
            f"insert into {table} (run_id, {columns})"  # noqa: S608 - our own names
            f" select ?, {columns} from other.{table} o where run_id = ?"
            f" and not exists (select 1 from {table} h where h.run_id = ? and {same})"
            f"{which} order by id",
            (here, run, here),
        ).rowcount
    return brought
