"""The columns of a dataset's tables, and the days and weeks that its rows name."""

from datetime import UTC, datetime
from typing import Any, Final

from benchlog.exchange.arrow import arrow
from benchlog.units import NS_PER_S

_NS_PER_DAY: Final = 86_400 * NS_PER_S
_TEXT: Final = (
    "source", "run_uid", "pack", "revision", "lot", "day", "week", "purpose", "device",
    "device_typed", "void", "supplier", "kind", "bench", "position", "operator",
    "software", "ended_how", "counter", "counter_serial", "verdict", "timebase",
    "timebase_doubt", "does_not_count", "held", "aside", "unfinished", "replaced",
    "measured_part",
)  # fmt: skip
_WHOLE: Final = ("run", "lot_size", "readings", "gaps")
_REAL: Final = (
    "nominal_hz", "divider", "offset_ppm", "u_ppm", "limit_ppm", "conformance",
    "jitter_ppm_rms", "ambient_c", "gate_s", "span_s", "timebase_offset_ppm",
    "timebase_u_ppm", "tolerance_ppm",
)  # fmt: skip
_YES: Final = (
    "simulated", "imported", "inspected", "set_aside", "damaged", "counts",
    "over_temperature", "marked", "planned",
)  # fmt: skip


def runs_schema() -> Any:
    """Return the columns of runs; part and month are in the folders' names."""
    pa = arrow()
    return pa.schema(
        [
            *((name, pa.string()) for name in _TEXT),
            *((name, pa.int64()) for name in _WHOLE),
            *((name, pa.float64()) for name in _REAL),
            *((name, pa.bool_()) for name in _YES),
            ("started", pa.timestamp("us", tz="UTC")),
            ("ended", pa.timestamp("us", tz="UTC")),
            ("started_utc_ns", pa.int64()),
            ("as_of_utc_ns", pa.int64()),
            ("void_utc_ns", pa.int64()),
            ("aside_utc_ns", pa.int64()),
            ("damaged_utc_ns", pa.int64()),
            ("device_utc_ns", pa.int64()),
            ("lot_utc_ns", pa.int64()),
            ("operator_utc_ns", pa.int64()),
            ("judged_utc_ns", pa.int64()),
        ]
    )


WHOSE: Final = ("source", "run_uid", "pack", "device", "bench", "lot", "day")
"""Texts that all readings of a run share with its row."""


def readings_schema(pa: Any) -> Any:
    """Return the columns of readings; part and month are in the folders' names.

    `pack` and `run_uid` tell which row of the runs a reading belongs to.
    """
    named = pa.dictionary(pa.int32(), pa.string())
    return pa.schema(
        [
            *((name, named) for name in WHOSE),
            ("run", pa.int64()),
            ("utc", pa.timestamp("us", tz="UTC")),
            ("utc_ns", pa.int64()),
            ("mono_ns", pa.int64()),
            ("gate_s", pa.float64()),
            ("frequency_hz", pa.float64()),
            ("ambient_c", pa.float64()),
            ("flags", pa.int64()),
            ("offset_ppm", pa.float64()),
            ("offset_raw_ppm", pa.float64()),
        ]
    )


def lots_schema() -> Any:
    """Return the columns of lots; `plan` and `part_body` are JSON."""
    pa = arrow()
    texts = ("source", "lot", "part", "supplier", "plan", "decision", "part_body")
    return pa.schema(
        [
            *((name, pa.string()) for name in texts),
            ("size", pa.int64()),
            ("opened_utc_ns", pa.int64()),
        ]
    )


def day_of(utc_ns: int) -> str:
    """Return the UTC day, as `2026-11-25`."""
    return datetime.fromtimestamp(utc_ns // NS_PER_S, UTC).strftime("%Y-%m-%d")


def week_of(utc_ns: int) -> str:
    """Return the day of the Monday of a UTC week, as `2026-11-23` (ISO 8601, 2.2.8)."""
    day = utc_ns // _NS_PER_DAY
    return day_of((day - (day + 3) % 7) * _NS_PER_DAY)
