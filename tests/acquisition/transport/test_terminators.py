"""Line ends: what goes over the wire, and what is accepted, on every transport, by an ordinary session."""

import os
import pty
import socket
import threading
import tty

import pytest

from acquisition.instruments import load_dialect
from acquisition.instruments.session import Session
from acquisition.transport import open_link

pytestmark = pytest.mark.filterwarnings("ignore:.*socket.socket:pytest.PytestUnraisableExceptionWarning")

ENDS = [b"\n", b"\r\n"]
MESSAGES = ("vxi11", "hislip")


@pytest.fixture
def tcp(instrument):
    """Give the resource of a byte stream that answers line by line."""
    server = socket.create_server(("127.0.0.1", 0))

    def serve():
        peer, _ = server.accept()
        with peer, peer.makefile("rb") as lines:
            for line in lines:
                peer.sendall(instrument.answer(line))

    threading.Thread(target=serve, daemon=True).start()
    yield f"TCPIP::127.0.0.1::{server.getsockname()[1]}::SOCKET"
    server.close()


@pytest.fixture
def serial(instrument):
    ours, theirs = pty.openpty()
    tty.setraw(theirs)

    def serve():
        try:
            while data := os.read(ours, 4096):
                for line in data.splitlines(keepends=True):
                    os.write(ours, instrument.answer(line))
        except OSError:
            pass

    thread = threading.Thread(target=serve, daemon=True)
    thread.start()
    yield os.ttyname(theirs)
    os.close(theirs)
    thread.join()
    os.close(ours)


def opened(resource, end, instrument, write="lf"):
    """A session whose instrument ends every answer alike."""
    before = instrument.answer
    table = {b"*ESR?": b"0", b":SYST:ERR?": b'0,"No error"', b":FUNC?": b'"VOLT"', b"A?": b"+1.5E+00"}

    def answer(message):
        if message.strip() == b"CURVE?":
            return b"#16a\nb\r\nc" + end
        text = table.get(message.strip())
        return text + end if text else before(message).rstrip(b"\n") + end if b"?" in message else before(message)

    def remembering(message):
        if message.strip() in table or message.strip() == b"CURVE?":
            instrument.received.append(message)
        return answer(message)

    instrument.answer = remembering
    dialect = load_dialect("scpi-meter")
    dialect = dialect.model_copy(update={"link": dialect.link.model_copy(update={"ends": write})})
    return Session(lambda: open_link(resource), dialect)


@pytest.mark.parametrize("write", ["lf", "crlf"])
@pytest.mark.parametrize("kind", ["tcp", "serial", *MESSAGES])
def test_what_is_written_ends_as_the_dialect_says_and_nothing_is_added(kind, write, request, instrument):
    session = opened(request.getfixturevalue(kind), b"\n", instrument, write)
    session.open()
    session.ask("A?")
    session.close()
    end = {"lf": b"\n", "crlf": b"\r\n"}[write]
    sent = b"".join(instrument.received)
    assert sent == b"".join(text + end for text in (b"*IDN?", b"*CLS", b":FUNC?", b"A?"))


@pytest.mark.parametrize(
    ("kind", "end"),
    [(kind, end) for kind in ("tcp", "serial") for end in ENDS]
    + [(kind, e) for kind in MESSAGES for e in [*ENDS, b""]],
)
def test_answers_are_taken_with_either_line_end_or_the_end_of_the_message(kind, end, request, instrument):
    session = opened(request.getfixturevalue(kind), end, instrument)
    session.open()
    for _ in range(2):
        assert session.ask_number("A?") == 1.5
        # Line ends among the data of a block are data.
        assert session.ask_block("CURVE?") == b"a\nb\r\nc"
    assert not session.gaps, "nothing had to be mended"
    session.close()


def test_an_instrument_that_ends_with_cr_alone_is_asked_for_blocks_too(serial, instrument):
    session = opened(serial, b"\r", instrument, "cr")
    session.open()
    for _ in range(2):
        assert session.ask_number("A?") == 1.5
        assert session.ask_block("CURVE?") == b"a\nb\r\nc"
    assert not session.gaps, "nothing had to be mended"
    session.close()
