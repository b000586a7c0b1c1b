"""The schema over there: made, brought up to date, and looked at before each use."""

from importlib.resources import files
from typing import TYPE_CHECKING, Any, Final

from benchlog.errors import ForwardError
from benchlog.forwarding.address import Address
from benchlog.forwarding.postgres.tables import OWN, SCHEMA, TABLES
from benchlog.forwarding.postgres.views import VIEWS

if TYPE_CHECKING:
    import psycopg

    Session = psycopg.Connection[Any]

_STEPS: Final = ("step_1.sql",)
"""A file for each step; a released one is never edited."""
NEWEST: Final = len(_STEPS)
READER, SENDER = "benchlog_reader", "benchlog_sender"
_MARK: Final = "what benches have sent on (benchlog forward)"
_ONE_AT_A_TIME: Final = (
    "select pg_advisory_xact_lock(hashtextextended('benchlog schema', 0))"
)
_IS_THERE: Final = """
select obj_description(n.oid, 'pg_namespace') from pg_namespace n where n.nspname = %s
"""
_COLUMNS: Final = """
select c.relname, a.attname, format_type(a.atttypid, a.atttypmod), a.attnotnull
from pg_class c join pg_namespace n on n.oid = c.relnamespace
  join pg_attribute a on a.attrelid = c.oid
where n.nspname = %s and c.relkind in ('r', 'p') and a.attnum > 0
  and not a.attisdropped
"""
_KEYS: Final = """
select c.relname, array_agg(a.attname::text order by k.place)
from pg_index i join pg_class c on c.oid = i.indrelid
  join pg_namespace n on n.oid = c.relnamespace
  cross join unnest(i.indkey::int[]) with ordinality k(number, place)
  join pg_attribute a on a.attrelid = c.oid and a.attnum = k.number
where n.nspname = %s and i.indisprimary group by c.relname
"""
_KEEPERS_OUT: Final = """
select c.relname, 'trigger ' || t.tgname
from pg_trigger t join pg_class c on c.oid = t.tgrelid
  join pg_namespace n on n.oid = c.relnamespace
where n.nspname = %(schema)s and not t.tgisinternal and t.tgenabled <> 'D'
  and (t.tgtype & 2) <> 0
union all
select tablename, 'rule ' || rulename from pg_rules where schemaname = %(schema)s
order by 1, 2 limit 1
"""
"""What may take a row and store none: triggers before the row (bit 2), and rules."""
_GRANTS: Final = (
    f"grant usage on schema {SCHEMA} to {READER}, {SENDER}",
    f"grant select on all tables in schema {SCHEMA} to {READER}, {SENDER}",
    f"grant insert on all tables in schema {SCHEMA} to {SENDER}",
    f"grant update on {SCHEMA}.runs, {SCHEMA}.parts, {SCHEMA}.lots, {SCHEMA}.sources,"
    f" {SCHEMA}.watermarks to {SENDER}",
    f"revoke insert, update on {SCHEMA}.schema_steps from {SENDER}",
    f"grant execute on function {SCHEMA}.keep_month(date) to {SENDER}",
)
"""Nobody is given the right to delete."""


def create(session: "Session", address: Address, software: str) -> list[str]:
    """Make the schema or bring it up to date, all of it or nothing.

    Returns what could not be done, as sentences: making roles needs a right of its own.
    Raises ForwardError for a schema that is a stranger's or of a newer version, and
    where a table of ours was changed: nothing could be sent to it.
    """
    with session.transaction():
        session.execute(_ONE_AT_A_TIME)
        done = version(session, address)
        if done is None:
            session.execute(f"create schema {SCHEMA}")
            session.execute(f"comment on schema {SCHEMA} is '{_MARK}'")
        for number, name in enumerate(_STEPS[done or 0 :], (done or 0) + 1):
            text = (files("benchlog.forwarding.postgres") / name).read_text("utf-8")
            session.execute(text)
            session.execute(
                f"insert into {SCHEMA}.schema_steps values (%s, now(), %s)",  # noqa: S608
                (number, software),
            )
        fault = _fault(session)
        if fault:
            raise ForwardError(
                f"{address.shown}: {fault}; somebody has changed it, and it is not "
                "mended here. Make it as it was, then run this again"
            )
        for name in reversed(VIEWS):
            session.execute(f"drop view if exists {SCHEMA}.{name}")
        for name, text in VIEWS.items():
            session.execute(f"create view {SCHEMA}.{name} as {text}")
    return _make_roles(session)


def _make_roles(session: "Session") -> list[str]:
    """Make the two roles and give them their rights; return what was refused."""
    psycopg_error = _refusal()
    try:
        with session.transaction():
            session.execute(_ONE_AT_A_TIME)
            for role in (READER, SENDER):
                found = session.execute(
                    "select 1 from pg_roles where rolname = %s", (role,)
                ).fetchone()
                if found is None:
                    session.execute(f"create role {role} nologin")
            for grant in _GRANTS:
                session.execute(grant)
    except psycopg_error as error:
        return [
            f"the roles {READER} and {SENDER} were not made ({str(error).strip()}); "
            "let somebody who may make roles run this once more"
        ]
    return []


def _refusal() -> type[Exception]:
    from psycopg.errors import InsufficientPrivilege  # noqa: PLC0415 - an extra

    return InsufficientPrivilege


def version(session: "Session", address: Address) -> int | None:
    """Return how many steps the schema there has had; None where there is none.

    Raises ForwardError when it is somebody else's or of a newer version.
    """
    found = session.execute(_IS_THERE, (SCHEMA,)).fetchone()
    if found is None:
        return None
    steps = session.execute(
        "select to_regclass(%s) is not null", (f"{SCHEMA}.schema_steps",)
    ).fetchone()
    if found[0] != _MARK or not (steps and steps[0]):
        raise ForwardError(
            f"{address.shown}: the schema {SCHEMA} there is not ours; use another "
            "database, or ask whose it is"
        )
    told = session.execute(
        f"select coalesce(max(step), 0) from {SCHEMA}.schema_steps"  # noqa: S608
    ).fetchone()
    done = int(told[0]) if told else 0
    if done > NEWEST:
        raise ForwardError(
            f"{address.shown} has schema {done}, this benchlog knows schemas up to "
            f"{NEWEST}: update benchlog on this computer"
        )
    return done


def look(session: "Session", address: Address) -> None:
    """Raise ForwardError where the schema there is not the one that we send to."""
    done = version(session, address)
    if done is None:
        raise ForwardError(
            f"{address.shown} has no schema {SCHEMA} yet; make it once with "
            "`benchlog forward --to ADDRESS --create`"
        )
    if done < NEWEST:
        raise ForwardError(
            f"{address.shown} has the older schema {done}; "
            "`benchlog forward --to ADDRESS --create` brings it up to date"
        )
    fault = _fault(session)
    if fault:
        raise ForwardError(
            f"{address.shown}: {fault}; somebody has changed it. Nothing was sent"
        )


def _fault(session: "Session") -> str:
    """Return the first thing in which the tables there are not as declared."""
    found = {
        (table, column): f"{kind}{' not null' if filled else ''}"
        for table, column, kind, filled in session.execute(_COLUMNS, (SCHEMA,))
    }
    keys = dict(session.execute(_KEYS, (SCHEMA,)).fetchall())
    for table in (*OWN, *TABLES.values()):
        if not any(name == table.name for name, _ in found):
            return f"the table {SCHEMA}.{table.name} is missing"
        for column, wanted in table.columns.items():
            there = found.get((table.name, column))
            if there is None:
                return f"the table {SCHEMA}.{table.name} has no column {column}"
            if there.split()[0] != wanted.split()[0]:
                return f"the column {column} of {SCHEMA}.{table.name} is {there}"
        if tuple(keys.get(table.name, ())) != table.key:
            return f"the table {SCHEMA}.{table.name} has lost its key"
    of_others = session.execute(_KEEPERS_OUT, {"schema": SCHEMA}).fetchone()
    if of_others:
        return f"{of_others[1]} of {SCHEMA}.{of_others[0]} may keep rows out"
    return ""
