"""The language of instruments, without any input or output: text and bytes in, values out (and back).

IEEE Std 488.2-1992 says how messages, numbers and blocks are written; SCPI-1999 which special numbers and error
codes there are. Clause numbers in this package are from memory of both.
"""

from .blocks import BlockReader
from .commands import fill, format_number
from .replies import (
    ErrorEntry,
    EventStatus,
    Identity,
    decode_reply,
    parse_error_entry,
    parse_identity,
    parse_integer,
    parse_number,
    parse_string,
    parse_switch,
    split_list,
    strip_header,
)

__all__ = [
    "BlockReader",
    "ErrorEntry",
    "EventStatus",
    "Identity",
    "decode_reply",
    "fill",
    "format_number",
    "parse_error_entry",
    "parse_identity",
    "parse_integer",
    "parse_number",
    "parse_string",
    "parse_switch",
    "split_list",
    "strip_header",
]
