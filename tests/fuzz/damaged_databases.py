"""Databases with damage in them: a small whole one, and recipes for what goes wrong.

An input is a recipe: lines of JSON, each one damage. What is no recipe changes nothing,
so that any bytes are an input. Damage to rows is made as a stranger's program can make
it: types, checks, keys and triggers hold nobody back.
"""

import contextlib
import json
import random
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any, Final

from exchange.factory import bench_database
from store.making import COUNTER, PART, TIMEBASE, begin, plan, rows

from benchlog.clock import VirtualClock
from benchlog.model import (
    Condition,
    Event,
    Flag,
    PhasePoint,
    Purpose,
    ReferenceCheck,
    Timebase,
)
from benchlog.store import sqlite
from benchlog.store.rows import Amendment, VerdictRow
from benchlog.store.writer import Writer

UTC_NS: Final = 1_900_000_000 * 10**9
LOOSE: Final = (
    "update sqlite_master set sql = replace(replace(sql, ' STRICT', ''), 'NOT NULL',"
    " '') where type = 'table'"
)
TABLES: Final = (
    *("runs", "runs", "runs", "readings", "edges", "conditions", "events", "verdicts"),
    *("parts", "lots", "devices", "instruments", "segments", "reference_checks"),
    *("amendments", "outline", "packed", "phases", "quarantine"),
)
ODD: Final = (
    None, 0, 1, -1, 2**63 - 1, -(2**63), 2**31, 10**30, 0.0, -0.0, 0.5, -1.5, 1e-320,
    1e308, -1e308, "inf", "-inf", "nan", "", "x", "\x00", "\x1b[2J", "\u202e", "0",
    "9" * 70, "a" * 5_000, "../../x", "<b>", "=1+1", [], {}, [[]], [1, "a", None], True,
    False, {"a": {"b": []}}, "rc", "soak", "import", "refcheck", "2031-02-30",
)  # fmt: skip
"""JSON values that a column, or a place in a column of JSON, may hold."""
Damage = Sequence[Any]


def whole_database(folder: Path) -> bytes:
    """Return a database of all kinds of runs and rows, as one file."""
    path = bench_database(folder, 1, 1, 3)
    with Writer.open(path, VirtualClock(now_utc_ns=UTC_NS)) as writer:
        run, segment = begin(writer, "KX-1", purpose=Purpose.SOAK, max_s=3_600.0)
        writer.commit(rows(run, segment, 60))
        writer.commit([(run, segment, _condition(at)) for at in range(5)])
        writer.commit([(run, segment, Event(UTC_NS, 5, "mark", "a draught"))])
        writer.end_run(run, "interrupted")
        writer.amend(run, Amendment(kind="lot", reason="typed", old=None, new="L-7"))
        checked = Timebase(
            status="checked", offset_ppm=0.1, u_ppm=0.01, valid_until_utc_ns=UTC_NS
        )
        run = writer.begin_run(plan("KX-2"), {"counter": COUNTER}, checked)
        segment = writer.begin_segment(run)
        writer.commit(rows(run, segment, 40))
        writer.end_run(run, "stopped")
        figures = {"readings": 40, "basis": {"part": PART, "timebase": TIMEBASE}}
        writer.add_verdict(
            run, VerdictRow(word="pass", offset_ppm=1.0, u_ppm=0.5, figures=figures)
        )
        run, segment = begin(writer, "REF", purpose=Purpose.REFCHECK, checks="counter")
        writer.commit(rows(run, segment, 40))
        writer.end_run(run, "readings reached")
        writer.add_reference_check(
            ReferenceCheck(
                instrument=COUNTER,
                offset_ppm=0.1,
                u_ppm=0.01,
                method="against pulses",
                at_utc_ns=UTC_NS,
                valid_until_utc_ns=2 * UTC_NS,
                run_id=run,
            )
        )
        run, segment = begin(writer, "IN", purpose=Purpose.IMPORT)
        writer.commit(rows(run, segment, 1_030))
        writer.commit(
            [(run, segment, PhasePoint(None, at, at * 1e-9)) for at in range(9)]
        )
        writer.end_run(run, "file read")
        begin(writer, "LEFT", purpose=Purpose.SOAK)
    with contextlib.closing(sqlite.connect_to_write(path)) as connection:
        for kind in ("update", "delete"):
            _drop_triggers(connection, kind)
        connection.execute("pragma journal_mode=delete")
    return path.read_bytes()


def _condition(at: int) -> Condition:
    return Condition(UTC_NS, at, "ambient", 25.0 + at, "C", "room", Flag.NONE)


def _drop_triggers(connection: sqlite.Connection, kind: str) -> None:
    found = connection.execute(
        "select name from sqlite_master where type = 'trigger' and name like ?",
        (f"%_{kind}",),
    ).fetchall()
    for (name,) in found:
        connection.execute(f"drop trigger {name}")


def damages(data: bytes) -> list[Damage]:
    """Return the damages that a recipe asks for; of what is none, nothing."""
    found = []
    for line in data[:100_000].splitlines()[:12]:
        try:
            damage = json.loads(line)
        except (ValueError, RecursionError):
            continue
        if isinstance(damage, list) and damage and isinstance(damage[0], str):
            found.append(damage)
    return found


def spoil(path: Path, recipe: Sequence[Damage]) -> set[int] | None:
    """Do the damage; return the runs whose own rows it touched, None: any may be."""
    octets = [one for one in recipe if one[0] in _OCTETS]
    touched = _spoil_rows(path, [one for one in recipe if one[0] in _ROWS])
    for name, *told in octets:
        data = bytearray(path.read_bytes())
        if not data:
            break  # cut to nothing before
        with contextlib.suppress(ValueError, TypeError, IndexError, OverflowError):
            _OCTETS[name](data, *told)
        path.write_bytes(data)
    return None if octets else touched


def _spoil_rows(path: Path, recipe: Sequence[Damage]) -> set[int] | None:
    touched: set[int] | None = set()
    if not recipe:
        return touched
    with contextlib.closing(sqlite.connect_to_write(path)) as connection:
        for pragma in ("foreign_keys=off", "writable_schema=on"):
            connection.execute(f"pragma {pragma}")
        kept = connection.execute("select name, sql from sqlite_master").fetchall()
        connection.execute(LOOSE)
        connection.execute("pragma writable_schema=reset")
        connection.execute("pragma ignore_check_constraints=on")
        for name, *told in recipe:
            with contextlib.suppress(*_UNFIT):
                run = _ROWS[name](connection, *told)
                if run is None or touched is None:
                    touched = None
                else:
                    touched.add(run)
        connection.execute("pragma writable_schema=on")
        connection.executemany(
            "update sqlite_master set sql = ?2 where name = ?1", kept
        )
        connection.execute("pragma writable_schema=off")
    return touched


_UNFIT: Final = (
    *(sqlite.SqliteError, ValueError, TypeError, IndexError, KeyError),
    *(ArithmeticError, UnicodeEncodeError, RecursionError, AttributeError),
)
"""What comes of a recipe that names what there is not."""


def _set(
    connection: sqlite.Connection, table: str, column: int, row: int, value: object
) -> int | None:
    """Put a value into a column of a row; bytes are told as {"octets": "hex"}."""
    name = _column(connection, table, column)
    at = _row(connection, table, row)
    run = _run_of(connection, table, at)
    if isinstance(value, Mapping) and set(value) == {"octets"}:
        value = bytes.fromhex(str(value["octets"]))
    elif isinstance(value, list | dict):
        value = json.dumps(value)
    if isinstance(value, str) and value in ("inf", "-inf"):
        value = float(value)
    connection.execute(f"update {table} set {name} = ? where rowid = ?", (value, at))
    return run


def _json(
    connection: sqlite.Connection, table: str, row: int, steps: list[int], value: Any
) -> int | None:
    """Put a value into a place of a column of JSON; `steps` choose keys in turn."""
    name = _HOLDS_JSON[table]
    at = _row(connection, table, row)
    run = _run_of(connection, table, at)
    query = f"select {name} from {table} where rowid = ?"
    whole = json.loads(connection.execute(query, (at,)).fetchone()[0])
    inner = whole
    for step in steps[:-1]:
        inner = inner[_key(inner, step)]
    key = _key(inner, steps[-1])
    if value == "gone":
        del inner[key]
    else:
        inner[key] = value
    connection.execute(
        f"update {table} set {name} = ? where rowid = ?", (json.dumps(whole), at)
    )
    return run


def _swap(
    connection: sqlite.Connection, table: str, column: int, one: int, other: int
) -> None:
    """Swap what two rows hold in a column."""
    name = _column(connection, table, column)
    a, b = _row(connection, table, one), _row(connection, table, other)
    query = f"select {name} from {table} where rowid = ?"
    held = [connection.execute(query, (at,)).fetchone()[0] for at in (a, b)]
    for at, value in zip((b, a), held, strict=True):
        connection.execute(
            f"update {table} set {name} = ? where rowid = ?", (value, at)
        )


def _delete(connection: sqlite.Connection, table: str, row: int) -> None:
    at = _row(connection, table, row)
    connection.execute(f"delete from {_known(table)} where rowid = ?", (at,))


def _key(inner: Any, step: int) -> Any:
    return (
        list(inner)[step % len(inner)] if isinstance(inner, dict) else step % len(inner)
    )


def _known(table: str) -> str:
    if table not in TABLES:
        raise KeyError(table)
    return table


def _column(connection: sqlite.Connection, table: str, column: int) -> str:
    found = connection.execute(f"pragma table_info({_known(table)})").fetchall()
    return str(found[column % len(found)][1])


def _row(connection: sqlite.Connection, table: str, row: int) -> int:
    query = f"select rowid from {_known(table)} order by rowid"
    found = connection.execute(query).fetchall()
    return int(found[row % len(found)][0])


def _run_of(connection: sqlite.Connection, table: str, at: int) -> int | None:
    """Return the run that a row belongs to; None where others depend on it."""
    if table == "runs":
        return at
    if table in ("readings", "edges", "conditions", "phases", "outline", "packed"):
        query = f"select run_id from {table} where rowid = ?"
        found = connection.execute(query, (at,)).fetchone()[0]
        return found if isinstance(found, int) else None
    return None


_HOLDS_JSON: Final = {
    **{"runs": "snapshot", "verdicts": "figures", "lots": "plan", "parts": "body"}
}
_ROWS: Final[Mapping[str, Callable[..., int | None]]] = {
    "set": _set,
    "json": _json,
    "swap": _swap,
    "delete": _delete,
}


def _flip(data: bytearray, at: int, bit: int) -> None:
    data[at % len(data)] ^= 1 << (bit % 8)


def _overwrite(data: bytearray, at: int, length: int, with_byte: int) -> None:
    at %= len(data)
    piece = bytes([with_byte % 256]) * min(length % 70_000, len(data) - at)
    data[at : at + len(piece)] = piece


def _cut(data: bytearray, at: int) -> None:
    del data[at % len(data) :]


_OCTETS: Final[Mapping[str, Callable[..., None]]] = {
    "flip": _flip,
    "overwrite": _overwrite,
    "cut": _cut,
}


def made(rng: random.Random) -> bytes:
    """Make a recipe of one to four damages."""
    found = [_damage(rng) for _ in range(rng.choice((1, 1, 2, 4)))]
    return b"\n".join(json.dumps(one).encode() for one in found)


def _damage(rng: random.Random) -> Damage:
    table, row, column = rng.choice(TABLES), rng.randrange(1_200), rng.randrange(18)
    value = rng.choice(ODD)
    match rng.randrange(10):
        case 0 | 1 | 2:
            return ["set", table, column, row, value]
        case 3 | 4 | 5 | 6:
            holder = rng.choice(("runs", "runs", "runs", *_HOLDS_JSON))
            steps = [rng.randrange(40) for _ in range(rng.choice((1, 1, 2, 2, 3, 4)))]
            return ["json", holder, row, steps, rng.choice((value, value, "gone"))]
        case 7:
            return ["swap", table, column, row, rng.randrange(1_200)]
        case 8:
            octets = {"octets": rng.randbytes(rng.choice((1, 3, 40))).hex()}
            where = rng.choice((["set", table, column, row, octets],))
            return rng.choice((where, ["delete", table, row]))
        case _:
            at = rng.randrange(2**24)
            return rng.choice(
                (
                    ["flip", at, rng.randrange(8)],
                    ["overwrite", at, rng.randrange(9_000), rng.choice((0, 255, 65))],
                    ["cut", at],
                )
            )
