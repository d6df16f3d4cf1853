"""The socket link against a real peer on loopback."""

import inspect
import socket
import threading
import time

import pytest

from acquisition.errors import ConnectionLost, InstrumentNotFound, TransportTimeout
from acquisition.transport import open_link, tcp
from acquisition.transport.failures import mapped
from tests.ports import unheard


@pytest.fixture
def peer():
    """A listening socket; ``accept()`` gives the instrument's end."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        yield server


@pytest.fixture
def pair(peer):
    link = open_link(f"TCPIP::127.0.0.1::{peer.getsockname()[1]}::SOCKET")
    far, _ = peer.accept()
    yield link, far
    link.close()
    far.close()


def test_a_line_there_and_back(pair):
    link, far = pair
    link.write(b"*IDN?\n")
    assert far.recv(100) == b"*IDN?\n"
    far.sendall(b"A,B,C,D\r\n")
    assert link.read_line(1.0) == b"A,B,C,D\r\n"


def test_nagle_is_off(pair):
    """With it, each command that is followed by a query costs 44 ms."""
    link, _ = pair
    assert link._socket.getsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY)


def test_a_refused_connection_is_known_at_opening():
    with unheard() as port, pytest.raises(InstrumentNotFound) as caught:
        open_link(resource := f"TCPIP::127.0.0.1::{port}::SOCKET")
    assert "refused" in caught.value.tried[resource].lower()
    assert "port" in caught.value.hint


@pytest.mark.parametrize("host", ["no-such-host.invalid", "x" * 70])
def test_an_unknown_host_is_known_at_opening(host):
    with pytest.raises(InstrumentNotFound) as caught:
        open_link(f"TCPIP::{host}::5025::SOCKET", open_timeout_s=1.0)
    assert "host name" in caught.value.hint


def test_a_closed_peer_is_noticed_at_once_without_spinning(pair):
    """Through pyvisa-py it shows only after the whole timeout, with one core busy."""
    link, far = pair
    far.close()
    wall_s, cpu_s = time.monotonic(), time.thread_time()
    with pytest.raises(ConnectionLost, match="closed the connection"):
        link.read_line(30.0)
    assert link.dirty
    assert time.monotonic() - wall_s < 10.0
    assert time.thread_time() - cpu_s < 1.0


def test_a_peer_that_closes_while_it_is_waited_for(pair):
    link, far = pair
    threading.Timer(0.02, far.shutdown, [socket.SHUT_RDWR]).start()
    with pytest.raises(ConnectionLost):
        link.read_line(30.0)


def test_a_deadline_passes(pair):
    link, far = pair
    far.sendall(b"half")
    with pytest.raises(TransportTimeout) as caught:
        link.read_line(0.05)
    assert caught.value.received == b"half"


def test_what_lies_there_is_seen_without_waiting(pair):
    link, far = pair
    assert not link.has_input()
    far.sendall(b"stale\n")
    while not link.has_input():
        pass
    link.clear(silence_s=0.02)
    assert not link.has_input()


def test_a_peer_that_takes_nothing_is_late(pair):
    link, _ = pair
    with pytest.raises(TransportTimeout):
        link.write(bytes(50_000_000), timeout_s=0.05)


def exceptions_of(module):
    return [
        kind
        for name, kind in inspect.getmembers(module, inspect.isclass)
        if issubclass(kind, Exception) and name[0] != "_"
    ]


@pytest.mark.parametrize("kind", [*exceptions_of(socket), *OSError.__subclasses__(), UnicodeError, OverflowError])
def test_every_exception_of_a_socket_becomes_one_of_ours(kind):
    if issubclass(kind, InterruptedError | BlockingIOError):
        return  # taken care of by the socket module, and at the call
    with pytest.raises((ConnectionLost, TransportTimeout)) as caught, mapped(tcp.FAILURES, "R"):
        raise kind("x")
    assert caught.value.hint
    assert caught.value.resource == "R"
