"""The driver that DEVELOPERS.md shows, and its test, pass as they are printed."""

import re
from pathlib import Path

TEXT = (Path(__file__).parents[2] / "DEVELOPERS.md").read_text("utf-8")
DRIVER, ITS_TEST = (
    next(
        block
        for block in re.findall(r"```python\n(.*?)```", TEXT, re.DOTALL)
        if name in block
    )
    for name in ("class HexCounter(", "class TestHexCounter(")
)
exec(compile(DRIVER + "\n" + ITS_TEST, "DEVELOPERS.md", "exec"), globals())
