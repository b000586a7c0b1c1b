"""Text and CSV made elsewhere, by `import`."""

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Final

from fuzz.importing import importer
from fuzz.loop import Door

from benchlog.exchange.import_options import ImportOptions

SEEDS: Final = (
    b"".join(b"%d.25\n" % (16_000_001 + n % 3) for n in range(12)),
    b"t,f,temp\n" + b"".join(b"%d,16000001.%d,23.1\n" % (n, n) for n in range(12)),
    b"# phase\n"
    + b"".join(b"2026-11-29T10:00:%02dZ;1,%de-9\n" % (n, n) for n in range(9)),
    b"date\ttime\tf (MHz)\n"
    + b"".join(b"29.11.2026\t10:00:%02d\t16.00000%d MHz\n" % (n, n) for n in range(9)),
    b"".join(b"16 000 00%d.5 23,4\n" % n for n in range(9)),
    "t,f\n0,16'000'001\n1,16'000'002\n2,---\n".encode("utf-16"),
)  # fmt: skip
WORDS: Final = (
    b"Hz", b"MHz", b"ppm", b"%", b"nan", b"--", b"\t", b"|", b"\n", b"\r\n", b" ", b"'",
    b"000", b"16000001", b"1.6e7", b"2026-11-29T10:00:00Z", b"60644.5", b"1764412800",
    b"frequency", b"time (s)", b"temp", b"\xef\xbb\xbf", b"\xff\xfe", b"\x1f\x8b\x08",
    b"BZh9", b"\xfd7zXZ\0", "\u2009".encode(), "µs".encode(), b"1e308", b"1e-308",
)  # fmt: skip


@contextmanager
def door() -> Iterator[Door]:
    wish = ImportOptions(nominal_hz=16e6)
    with importer("made elsewhere.txt", wish) as enter:
        yield Door(name="import_text", enter=enter, words=WORDS, seeds=SEEDS)
