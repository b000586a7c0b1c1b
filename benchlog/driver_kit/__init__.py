"""What drivers are made of: connections, lines, numbers, SCPI; for yours as for ours.

    from benchlog.driver_kit import LineDriver, SERIAL_OPTIONS

An instrument that only talks is a `LineDriver`: with a dialect where a pattern finds
the number, with a `parse` of its own where that takes code. One that is asked in SCPI
is a `ScpiDriver`. Whatever else speaks in lines over a port or a socket has
`open_stream` and `open_link`. `benchlog.testing` has the suite that each driver passes.
"""

from benchlog.driver_kit.connect import (
    LINK_OPTIONS,
    LINK_WANTED,
    STREAM_WANTED,
    is_stream,
    link_wanted,
    open_link,
    open_stream,
)
from benchlog.driver_kit.line_driver import DIALECT, LineDriver
from benchlog.driver_kit.link import Link, StreamLink
from benchlog.driver_kit.listener import Line, Listener
from benchlog.driver_kit.numbers import Number, parse_number, parse_reply
from benchlog.driver_kit.programs import Finished, run_program
from benchlog.driver_kit.scpi_driver import ScpiDriver
from benchlog.driver_kit.serial_line import SERIAL_OPTIONS
from benchlog.driver_kit.settings import INPUT_OPTIONS, every, number_of
from benchlog.driver_kit.user_program import UserProgram, program_options

__all__ = [
    "DIALECT",
    "INPUT_OPTIONS",
    "LINK_OPTIONS",
    "LINK_WANTED",
    "SERIAL_OPTIONS",
    "STREAM_WANTED",
    "Finished",
    "Line",
    "LineDriver",
    "Link",
    "Listener",
    "Number",
    "ScpiDriver",
    "StreamLink",
    "UserProgram",
    "every",
    "is_stream",
    "link_wanted",
    "number_of",
    "open_link",
    "open_stream",
    "parse_number",
    "parse_reply",
    "program_options",
    "run_program",
]
