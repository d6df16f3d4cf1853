"""Arbitrary blocks, whole, byte by byte, and broken."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from acquisition.errors import ReplyMalformed
from acquisition.scpi import BlockReader


def read(data, piece=1 << 20, unit_bytes=1):
    reader = BlockReader(unit_bytes)
    position = 0
    while reader.missing and position < len(data):
        size = min(piece, reader.missing, len(data) - position)
        reader.feed(data[position : position + size])
        position += size
    reader.feed(data[position:])
    return reader


# IEEE Std 488.2-1992, 8.7.9: definite length; the data of the last one hold every terminator there is.
CASES = [
    (b"#15hello\n", b"hello"),
    (b"#205hello\n", b"hello"),
    (b"#9000000005hello", b"hello"),
    (b"#10\n", b""),
    (b"#14\n\r#1\n", b"\n\r#1"),
    (b":CURV #13abc\r\n", b"abc"),
    (b"DESC,#13abc\n\n", b"abc"),
    (b"\n#13abc\n", b"abc"),
]


@pytest.mark.parametrize("piece", [1 << 20, 1, 2, 3])
@pytest.mark.parametrize(("data", "payload"), CASES)
def test_definite_blocks(data, payload, piece):
    reader = read(data, piece)
    assert reader.missing == 0
    assert reader.end() == payload


@given(st.binary(max_size=300), st.integers(1, 9), st.integers(1, 17))
def test_any_bytes_survive(data, digits, piece):
    if len(data) >= 10**digits:
        return
    assert read(b"#%d%0*d" % (digits, digits, len(data)) + data + b"\n", piece).end() == data


def test_missing_never_asks_for_more_than_the_block_has():
    """Asking for more than comes would wait for the deadline on a link without an end."""
    data = b":CURV #3300" + bytes(300)
    reader, position = BlockReader(), 0
    while reader.missing:
        assert position + reader.missing <= len(data)
        reader.feed(data[position : position + reader.missing])
        position = min(len(data), position + max(1, reader.missing)) if reader.missing else position
        position = len(reader._seen)
    assert reader.payload == bytes(300)


# IEEE Std 488.2-1992, 8.7.10: indefinite length, ended by NL with END.
def test_an_indefinite_block_ends_with_its_message():
    reader = read(b"#0ab\ncd\n")
    assert reader.is_indefinite
    assert reader.end() == b"ab\ncd"


def test_a_length_that_counts_points():
    assert read(b"#12\1\2\3\4\n", unit_bytes=2).end() == b"\1\2\3\4"


@pytest.mark.parametrize(
    "data",
    [
        b"+1.05E+02\n",
        b"#x5hello",
        b"#2 5hello",
        b"#2a5hello",
        b"x" * 50,
        b"12\n#15hello",
        b"#9999999999x",
    ],
)
def test_what_is_no_block(data):
    with pytest.raises(ReplyMalformed):
        read(data, 1).end()


@pytest.mark.parametrize("data", [b"#15hell", b"#", b"#2", b"#21", b"", b"#15"])
def test_a_block_cut_short(data):
    with pytest.raises(ReplyMalformed):
        read(data).end()


@pytest.mark.parametrize("data", [b"#15hello!\n", b"#14hello\n", b"#15hello\n0,\n"])
def test_more_than_the_length_says(data):
    with pytest.raises(ReplyMalformed):
        read(data).end()
