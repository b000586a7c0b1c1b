"""Lines of a foreign file into readings: plain blocks at once, others one by one."""

from collections.abc import Iterable, Iterator
from typing import Final

from benchlog.exchange.file_limits import FileLimits
from benchlog.exchange.import_options import ColumnMeaning
from benchlog.exchange.text.layout import Layout
from benchlog.exchange.text.plain_blocks import plain_lines
from benchlog.exchange.text.row_readings import Assembler, Made
from benchlog.exchange.text.text_rows import values_of
from benchlog.exchange.text_lines import Block, Line
from benchlog.store.reading_block import ReadingBlock

_FEW: Final = 256  # lines; our rule: below, arrays gain nothing


class LineReader:
    """Reads the lines of one file in their order."""

    def __init__(
        self, layout: Layout, wanted: ColumnMeaning, limits: FileLimits
    ) -> None:
        self._layout, self._limits = layout, limits
        self._assembler = Assembler(layout, wanted)

    def made_of(
        self, lines: Iterable[Line], blocks: Iterable[Block]
    ) -> Iterator[Made | ReadingBlock]:
        """Yield what comes of some lines, and of all in the blocks behind them."""
        yield from self._one_by_one(lines)
        for block in blocks:
            yield from self._of_block(block)

    def _of_block(self, block: Block) -> Iterator[Made | ReadingBlock]:
        """Yield what comes of a block; of one that is not plain, half by half.

        So one odd line costs what some hundred cost, and not a whole block.
        """
        plain = plain_lines(block, self._layout, self._limits)
        made = None if plain is None else self._assembler.block(plain)
        if made is not None:
            yield made
            return
        half = block.count // 2
        if half < _FEW:
            yield from self._one_by_one(block.lines())
            return
        yield from self._of_block(block.up_to(half))
        yield from self._of_block(block.behind(half))

    def _one_by_one(self, lines: Iterable[Line]) -> Iterator[Made]:
        values = values_of(lines, self._layout, self._limits)
        return self._assembler.readings(values)
