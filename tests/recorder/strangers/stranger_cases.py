"""What a stranger's driver may hand over wrong, and write into the keeper's pipe."""

import os
import pickle
import struct
from dataclasses import replace
from decimal import Decimal
from fractions import Fraction
from itertools import repeat
from types import SimpleNamespace

from benchlog.errors import GarbledError, InstrumentError
from benchlog.model import Flag

HUGE = "x" * 3_000_000


class FakeEndError(InstrumentError):
    """Calls itself what only the keeper may tell of a run."""

    kind = "ended"


class MuteError(InstrumentError):
    """Cannot even be put into words."""

    def __str__(self):
        raise RecursionError("no words")


def _raises(error):
    def read(_sample):
        raise error

    return read


SAMPLES = {
    "value as text": lambda s: replace(s, value="16000000.0"),
    "value as bytes": lambda s: replace(s, value=b"16000000.0"),
    "value missing": lambda s: replace(s, value=None),
    "value true": lambda s: replace(s, value=True),
    "value decimal": lambda s: replace(s, value=Decimal("16000000.0")),
    "value fraction": lambda s: replace(s, value=Fraction(16_000_000)),
    "value complex": lambda s: replace(s, value=complex(16e6)),
    "value without end": lambda s: replace(s, value=10**400),
    "value a list": lambda s: replace(s, value=[16e6]),
    "unit missing": lambda s: replace(s, unit=None),
    "unit of pulses": lambda s: replace(s, unit="edge"),
    "unit huge": lambda s: replace(s, unit=HUGE),
    "mono_ns as text": lambda s: replace(s, mono_ns=str(s.mono_ns)),
    "mono_ns a float": lambda s: replace(s, mono_ns=float(s.mono_ns)),
    "mono_ns true": lambda s: replace(s, mono_ns=True),
    "mono_ns beyond 64 bits": lambda s: replace(s, mono_ns=2**70),
    "mono_ns of next year": lambda s: replace(s, mono_ns=s.mono_ns + 10**16),
    "mono_ns of before": lambda s: replace(s, mono_ns=1),
    "utc_ns missing": lambda s: replace(s, utc_ns=None),
    "utc_ns negative": lambda s: replace(s, utc_ns=-1),
    "utc_ns beyond 64 bits": lambda s: replace(s, utc_ns=2**64),
    "gate_s infinite": lambda s: replace(s, gate_s=float("inf")),
    "gate_s nan": lambda s: replace(s, gate_s=float("nan")),
    "gate_s negative": lambda s: replace(s, gate_s=-0.01),
    "gate_s as text": lambda s: replace(s, gate_s="0.01"),
    "raw as text": lambda s: replace(s, raw="16000000.0"),
    "raw missing": lambda s: replace(s, raw=None),
    "raw huge": lambda s: replace(s, raw=HUGE.encode()),
    "step as text": lambda s: replace(s, step="0.1"),
    "step zero": lambda s: replace(s, step=0.0),
    "step nan": lambda s: replace(s, step=float("nan")),
    "flags as text": lambda s: replace(s, flags="SUSPECT"),
    "flags of the keeper": lambda s: replace(s, flags=Flag.IMPORTED),
    "flags beyond 64 bits": lambda s: replace(s, flags=2**70),
    "no sample": lambda _: None,
    "a bare number": lambda _: 16e6,
    "like a sample": lambda s: SimpleNamespace(
        **{name: getattr(s, name) for name in s.__slots__}
    ),
    "error with raw as text": _raises(GarbledError("odd", raw="16e6")),
    "error of another kind": _raises(FakeEndError("over")),
    "error without words": _raises(MuteError("mute")),
    "error huge": _raises(GarbledError(HUGE, raw=HUGE.encode(), address=7)),
    "error of its own huge": _raises(ValueError(HUGE)),
    "error with surrogates": _raises(GarbledError("\ud800", command="\udfff")),
}
"""What the sixth read makes of a good sample; or raises."""

IDENTITIES = {
    "no identity": lambda _: None,
    "identity a text": lambda i: i.text,
    "identity text missing": lambda i: replace(i, text=None),
    "identity text empty": lambda i: replace(i, text=" "),
    "identity text huge": lambda i: replace(i, text=HUGE),
    "identity maker missing": lambda i: replace(i, maker=None),
    "identity serial a number": lambda i: replace(i, serial=7),
    "identity simulated a word": lambda i: replace(i, simulated="no"),
    "identity settings missing": lambda i: replace(i, settings=None),
    "identity settings of numbers": lambda i: replace(i, settings={"gate_s": 0.1}),
    "identity settings huge": lambda i: replace(
        i, settings={str(n): "x" for n in range(100_000)}
    ),
}
"""What opening again makes of a good identity."""

PROMISES = {
    "read_limit_s infinite": ("read_limit_s", float("inf")),
    "read_limit_s nan": ("read_limit_s", float("nan")),
    "read_limit_s negative": ("read_limit_s", -1.0),
    "read_limit_s missing": ("read_limit_s", None),
    "read_limit_s as text": ("read_limit_s", "1"),
    "read_limit_s without end": ("read_limit_s", 10**400),
    "period_s infinite": ("period_s", float("inf")),
    "period_s true": ("period_s", True),
    "quantity missing": ("quantity", None),
    "quantity of pulses": ("quantity", "edge"),
    "unit a number": ("unit", 7),
    "unit empty": ("unit", ""),
}
"""What its class promises when it is opened again."""

MESSAGES = {
    "messages missing": lambda: None,
    "messages of numbers": lambda: (7,),
    "messages huge": lambda: (HUGE,),
    "messages without end": lambda: repeat("again"),
    "messages a text": lambda: "a text",
}
"""What its message queue holds when it is opened again."""

CASES = (*SAMPLES, *IDENTITIES, *PROMISES, *MESSAGES)


class Bomb:
    """Leaves a file behind where it is unpickled."""

    def __reduce__(self):
        return os.mkdir, (os.environ.get("STRANGER_BOMB", "/nowhere/at/all"),)


def _pickled():
    body = pickle.dumps(Bomb())
    return struct.pack("!i", len(body)) + body


class Forged(dict):
    """What is written; the bomb is made where it is wanted."""

    def __missing__(self, case):
        return _pickled()


FORGED = Forged(
    {
        "half a head": b"\x00\x00",
        "half a body": struct.pack("!i", 100) + b"[",
        "a huge length": b"\x7f\xff\xff\xff" + b"x" * 1000,
        "a negative length": b"\xff\xff\xff\xfe",
        "brackets": struct.pack("!i", 60_000) + b"[" * 60_000,
        "no message": struct.pack("!i", 4) + b"null",
        "another verb": struct.pack("!i", 9) + b'["ended"]',
    }
)
