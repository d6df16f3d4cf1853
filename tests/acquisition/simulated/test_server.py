"""The loopback link of a simulated instrument and the faults it plays."""

import socket
import threading
import time

import pytest

from acquisition.simulated.device import Device
from acquisition.simulated.faults import LINK_FAULTS, Mischief, late
from acquisition.simulated.server import SocketServer


@pytest.fixture
def server():
    device = Device("A,B,0,1")
    device.on("DATA", ask=lambda s, p: b"#14\x0a\x0a;,")
    with SocketServer(device) as running:
        yield running


@pytest.fixture
def client(server):
    with socket.create_connection(("127.0.0.1", server.port), timeout=5) as made:
        yield made


def ask(client, message, size=None):
    client.sendall(message + b"\n")
    answer = b""
    while not (answer.endswith(b"\n") if size is None else len(answer) >= size):
        piece = client.recv(4096)
        if not piece:
            break
        answer += piece
    return answer


def test_answers_and_frames(client):
    assert ask(client, b"*IDN?") == b"A,B,0,1\n"
    client.sendall(b"*ID")
    assert ask(client, b"N?") == b"A,B,0,1\n"
    assert ask(client, b"DATA?", 8) == b"#14\x0a\x0a;,\n"


def test_two_clients_are_served(server, client):
    with socket.create_connection(("127.0.0.1", server.port), timeout=5) as other:
        assert ask(client, b"*IDN?") == ask(other, b"*IDN?")


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        ("drip", b"A,B,0,1\n"),
        ("both terminators", b"A,B,0,1\r\n"),
        ("half then hang up", b"A,B,"),
        ("hang up", b""),
    ],
)
def test_faults_on_cue(server, client, name, expected):
    server.mischief.cue(name)
    assert ask(client, b"*IDN?") == expected
    assert server.mischief.played == [name]


@pytest.mark.parametrize("name", sorted(LINK_FAULTS))
def test_every_fault_leaves_the_server_alive(server, name):
    server.mischief.cue(name, fault=late(0.01) if name == "late" else None)
    with socket.create_connection(("127.0.0.1", server.port), timeout=5) as client:
        client.sendall(b"DATA?\n")
    with socket.create_connection(("127.0.0.1", server.port), timeout=5) as client:
        assert ask(client, b"*IDN?") == b"A,B,0,1\n"


def test_fault_waits_for_its_message(server, client):
    server.mischief.cue("unterminated", on=b"DATA")
    assert ask(client, b"*IDN?") == b"A,B,0,1\n"
    assert ask(client, b"DATA?", 7) == b"#14\x0a\x0a;,"


def test_a_fault_taken_back_while_its_message_is_answered_breaks_nothing():
    """The list that the answering thread was at was emptied under it, and the instrument was gone for good."""
    mischief = Mischief()

    class Slow(bytes):
        def __contains__(self, part):
            thread = threading.Thread(target=mischief.calm)
            thread.start()
            thread.join(0.05)
            return True

    mischief.cue("silence", times=2)
    assert mischief.answer(Slow(b"READ?"), b"1") == []
    mischief.calm()
    assert mischief.answer(b"READ?", b"1") == [b"1\n"]


def test_held_answers_come_together(server, client):
    server.mischief.hold()
    client.sendall(b"*OPC?\n")
    assert ask(client, b"*IDN?", 10) == b"1\nA,B,0,1\n"


def test_refuses_and_returns_on_the_same_port(server):
    address = ("127.0.0.1", server.port)
    server.refuse()
    with pytest.raises(ConnectionRefusedError):
        socket.create_connection(address, timeout=5)
    with socket.socket() as other, pytest.raises(OSError, match="in use"):
        other.bind(address)  # by another program, and the instrument would not come back
    server.refuse(False)
    with socket.create_connection(address, timeout=5) as client:
        assert ask(client, b"*IDN?") == b"A,B,0,1\n"


def test_it_refuses_from_the_moment_it_was_told_to(server, client, monkeypatch):
    """The end of a round begun before was taken for the end of the next, and one more connection was made."""
    done, stop = server._settled.set, server._stop_listening
    monkeypatch.setattr(server._settled, "set", lambda: (time.sleep(0.05), done()))
    monkeypatch.setattr(server, "_stop_listening", lambda: (time.sleep(0.05), stop()))
    assert ask(client, b"*IDN?")
    time.sleep(0.01)  # it is at the end of that round
    server.refuse()
    with pytest.raises(ConnectionRefusedError):
        socket.create_connection(("127.0.0.1", server.port), timeout=5)


def test_closing_ends_connections_and_threads(server, client):
    assert ask(client, b"*IDN?")
    server.close()
    server.close()
    assert client.recv(10) == b""
    assert not [t for t in threading.enumerate() if t.name.startswith("simulated A,B")]
