"""The serial link on a pseudo-terminal, and with a port object that shows what was set before opening."""

import errno
import inspect
import os
import pty
import socket
import termios
import threading
import tty
from collections import Counter

import pytest
import serial
from serial import rfc2217

from acquisition.clock import FakeClock
from acquisition.errors import ConnectionLost, InstrumentNotFound, TransportTimeout
from acquisition.transport import SerialLink, SerialSettings, open_link, parse_address, serial_port
from acquisition.transport.failures import mapped


@pytest.fixture
def terminal():
    """The instrument's end of a pseudo-terminal, and the name of ours."""
    far, near = pty.openpty()
    tty.setraw(near)
    yield far, os.ttyname(near)
    for descriptor in (far, near):
        try:
            os.close(descriptor)
        except OSError:
            pass


def test_a_line_there_and_back(terminal):
    far, name = terminal
    with open_link(f"ASRL{name}::INSTR") as link:
        link.write(b"*IDN?\n")
        assert os.read(far, 100) == b"*IDN?\n"
        os.write(far, b"A,B,C,D\r\n")
        assert link.read_line(1.0) == b"A,B,C,D\r\n"


def test_a_terminal_without_control_lines_is_no_trouble(terminal):
    """Setting DTR or RTS there raises errno 25 once it is open: they are set before, and left alone after."""
    far, name = terminal
    with open_link(name, serial=SerialSettings(dtr=True, rts=False)) as link:
        os.write(far, b"x")
        assert link.read_exact(1, 1.0) == b"x"


def test_a_long_answer_does_not_wait_for_more_than_there_is(terminal):
    far, name = terminal
    with open_link(name) as link:
        os.write(far, bytes(range(256)) * 8)
        assert link.read_exact(2048, 1.0) == bytes(range(256)) * 8


def test_a_deadline_passes(terminal):
    far, name = terminal
    with open_link(name) as link:
        os.write(far, b"half")
        with pytest.raises(TransportTimeout) as caught:
            link.read_line(0.05)
        assert caught.value.received == b"half"
        assert link.dirty


def test_an_unplugged_cable_is_a_lost_connection(terminal):
    far, name = terminal
    with open_link(name) as link:
        os.close(far)
        with pytest.raises(ConnectionLost) as caught:
            link.read_line(1.0)
        assert caught.value.hint


def test_a_cable_that_falls_out_while_the_port_is_opened_is_a_port_not_found(terminal, monkeypatch):
    """The survey looks for a lost meter twice a second, so that a loose plug does meet this moment."""
    far, name = terminal
    flush = termios.tcflush

    def pulled(descriptor, queue):
        os.close(far)
        flush(descriptor, queue)

    monkeypatch.setattr(termios, "tcflush", pulled)
    with pytest.raises(InstrumentNotFound) as caught:
        open_link(name)
    assert "cable" in caught.value.hint


def test_two_programs_on_one_port(terminal):
    _, name = terminal
    with open_link(name):
        with pytest.raises(InstrumentNotFound) as caught:
            open_link(name)
        assert "another program" in caught.value.hint


def test_a_missing_port_names_those_there_are():
    with pytest.raises(InstrumentNotFound) as caught:
        open_link("/dev/no-such-port")
    assert "serial ports here" in caught.value.hint
    assert str(caught.value) == "ASRL/dev/no-such-port::INSTR: cannot be opened: No such file or directory"


def test_a_port_we_may_not_open_names_the_group(monkeypatch):
    class Port(FakePort):
        def open(self):
            raise serial.SerialException(errno.EACCES, "could not open port: Permission denied")

    monkeypatch.setattr(serial, "serial_for_url", lambda *_, **__: Port([]))
    with pytest.raises(InstrumentNotFound) as caught:
        open_link("/dev/ttyUSB0")
    assert "dialout" in caught.value.hint


class FakePort:
    """Notes the order in which attributes are set and methods called."""

    def __init__(self, notes):
        object.__setattr__(self, "notes", notes)

    def __setattr__(self, name, value):
        self.notes.append((name, value))

    def open(self):
        self.notes.append(("open", None))

    def close(self):
        self.notes.append(("close", None))


def test_control_lines_are_set_before_the_port_is_opened(monkeypatch):
    """pyserial raises both lines at opening otherwise, and an optical head draws its supply from them."""
    notes = []
    monkeypatch.setattr(serial, "serial_for_url", lambda *_, **__: FakePort(notes))
    clock = FakeClock()
    settings = SerialSettings(baud=2400, bits=7, parity="odd", stop=2, dtr=True, rts=False, settle_s=0.5)
    SerialLink(parse_address("/dev/ttyUSB0"), settings, clock=clock).close()
    names = [name for name, _ in notes]
    for name in ("dtr", "rts", "baudrate", "exclusive", "write_timeout"):
        assert names.index(name) < names.index("open"), name
    facts = dict(notes)
    assert (facts["baudrate"], facts["bytesize"], facts["parity"], facts["stopbits"]) == (2400, 7, "O", 2)
    assert (facts["dtr"], facts["rts"], facts["exclusive"]) == (True, False, True)
    assert clock.monotonic_s() == 0.5


def test_a_pyserial_url_serves_for_framing():
    with open_link("loop://") as link:
        link.write(b"echo\n")
        assert link.read_line(1.0) == b"echo\n"


def exceptions_of_pyserial():
    return [
        kind
        for _, kind in inspect.getmembers(serial, inspect.isclass)
        if issubclass(kind, Exception) and kind.__module__.startswith("serial")
    ]


@pytest.mark.parametrize(
    "kind", [*exceptions_of_pyserial(), serial.PortNotOpenError, *OSError.__subclasses__(), ValueError, TypeError]
)
def test_every_exception_of_pyserial_becomes_one_of_ours(kind):
    error = kind() if kind is serial.PortNotOpenError else kind("x")
    with pytest.raises((ConnectionLost, TransportTimeout)) as caught, mapped(serial_port.failures(), "R"):
        raise error
    assert caught.value.hint


class RemotePort:
    """A port of another machine that gives back what is written to it: the server's half of RFC 2217."""

    def __init__(self):
        self.listener = socket.create_server(("127.0.0.1", 0))
        self.resource = f"rfc2217://127.0.0.1:{self.listener.getsockname()[1]}"
        self.asked = Counter()
        self.client = None
        threading.Thread(target=self.serve, daemon=True).start()

    def serve(self):
        self.client, _ = self.listener.accept()
        port = serial.serial_for_url("loop://", timeout=0)
        manager = rfc2217.PortManager(port, self)
        settle = manager._telnet_process_subnegotiation
        manager._telnet_process_subnegotiation = lambda asked: (
            self.asked.update([bytes(asked[1:2])]),
            settle(asked),
        )
        with self.listener, self.client:
            while data := self.client.recv(1024):
                port.write(b"".join(manager.filter(data)))
                if echo := port.read(port.in_waiting):
                    self.write(b"".join(manager.escape(echo)))

    def write(self, data):
        self.client.sendall(data)

    def hang_up(self):
        self.client.shutdown(socket.SHUT_RDWR)


@pytest.mark.filterwarnings("ignore:set(Daemon|Name):DeprecationWarning")
def test_a_port_of_another_machine_is_set_once_and_keeps_its_deadlines():
    """It takes no time-out for writing, so none could be opened; each look would have set the port again."""
    remote = RemotePort()
    with open_link(remote.resource, serial=SerialSettings(baud=2400)) as link:
        for line in (b"one\n", b"\xff\x00\r\n"):
            link.write(line)
            assert link.read_line(2.0) == line
        assert not link.has_input()
        with pytest.raises(TransportTimeout):
            link.read_line(0.05)
        asked = remote.asked.copy()
        assert asked[rfc2217.SET_BAUDRATE] == 1
        assert asked[rfc2217.SET_PARITY] == 1
        remote.hang_up()
        with pytest.raises(ConnectionLost):
            link.read_line(5.0)
