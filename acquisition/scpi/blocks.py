"""Arbitrary blocks: IEEE Std 488.2-1992, 8.7.9 (definite length) and 8.7.10 (indefinite length)."""

from __future__ import annotations

from ..errors import ReplyMalformed

MOST_PREFIX = 40
"""Bytes allowed before ``#``: some instruments put a header such as ``:CURV `` or ``DESC,`` there."""

MOST_BYTES = 1 << 30


class BlockReader:
    """Reads one block from bytes that arrive in pieces of any size.

    The length in the block decides where it ends, never a terminator: the data may hold any byte, 0x0A too.

    Parameters
    ----------
    unit_bytes : int
        Bytes a unit of the length field stands for; 1 by the standard, 2 for firmware that counts points of a word.
    """

    def __init__(self, unit_bytes: int = 1) -> None:
        self._unit_bytes = unit_bytes
        self._seen = bytearray()
        self._start: int | None = None  # of the payload in _seen
        self._length: int | None = None  # of the payload; None for an indefinite block

    def feed(self, data: bytes) -> None:
        """Take bytes.

        Parameters
        ----------
        data : bytes
            In the order they came.

        Raises
        ------
        ReplyMalformed
            No ``#`` where it must be, or no length behind it.
        """
        self._seen += data
        if self._start is None:
            self._parse_header()

    def _parse_header(self) -> None:
        mark = self._seen.find(b"#")
        if mark < 0:
            if len(self._seen) > MOST_PREFIX or b"\n" in self._seen.lstrip(b"\r\n"):
                raise self._malformed("'#' at the start of a block")
            return
        if mark > MOST_PREFIX or b"\n" in self._seen[:mark].lstrip(b"\r\n"):
            raise self._malformed("'#' at the start of a block")
        if len(self._seen) < mark + 2:
            return
        digit = self._seen[mark + 1 : mark + 2]
        if not digit.isdigit():
            raise self._malformed("a digit after '#'")
        count = int(digit)
        if count == 0:
            self._start, self._length = mark + 2, None
            return
        field = self._seen[mark + 2 : mark + 2 + count]
        if not all(0x30 <= byte <= 0x39 for byte in field):
            raise self._malformed(f"{count} digits of length after '#{count}'")
        if len(field) < count:
            return
        length = int(field) * self._unit_bytes
        if length > MOST_BYTES:
            raise self._malformed("a block below 1 GB")
        self._start, self._length = mark + 2 + count, length

    def _malformed(self, expected: str) -> ReplyMalformed:
        start = bytes(self._seen[:60])
        return ReplyMalformed(
            f"expected {expected}, got {start!r}",
            hint="the link is resynchronised before anything else is asked",
            raw=start,
            expected=expected,
        )

    @property
    def prefix(self) -> bytes:
        """What stood before ``#``, without blanks."""
        return bytes(self._seen[: self._seen.find(b"#")]).strip() if self._start is not None else b""

    @property
    def is_indefinite(self) -> bool:
        """True for ``#0``: only the end of the message, where the link has one, ends such a block."""
        return self._start is not None and self._length is None

    @property
    def missing(self) -> int:
        """Bytes that must still come at least; 0 when the block is whole, or indefinite."""
        if self._start is None:
            mark = self._seen.find(b"#")
            if mark < 0 or len(self._seen) < mark + 2:
                return 2 if mark < 0 else 1
            return mark + 2 + int(self._seen[mark + 1 : mark + 2]) - len(self._seen)
        return max(0, self._start + self._length - len(self._seen)) if self._length is not None else 0

    @property
    def payload(self) -> bytes:
        """The data bytes that came so far.

        For an indefinite block the final NL is still among them: `end` takes it off.
        """
        if self._start is None:
            return b""
        stop = None if self._length is None else self._start + self._length
        return bytes(self._seen[self._start : stop])

    @property
    def rest(self) -> bytes:
        """Bytes behind a whole definite block."""
        if self._start is None or self._length is None:
            return b""
        return bytes(self._seen[self._start + self._length :])

    def end(self) -> bytes:
        """Say that the message has ended, and get the data.

        Returns
        -------
        bytes
            The payload; the NL that ends an indefinite block is dropped.

        Raises
        ------
        ReplyMalformed
            The block was cut short, or bytes other than a line end stand behind it.
        """
        if self._start is None or self.missing:
            raise self._malformed(f"a whole block, {self.missing} more bytes")
        if self._length is None:
            return self.payload.removesuffix(b"\n")
        if self.rest.strip(b"\r\n"):
            raise self._malformed("nothing behind the block")
        return self.payload
