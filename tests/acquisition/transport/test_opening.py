"""What is said when an instrument cannot be opened: the cause in one line, and what to do."""

import gc
import importlib.util
import os
import pty
import sys

import pytest

from acquisition.errors import InstrumentNotFound
from acquisition.transport import open_link
from tests.ports import unheard

# pyvisa-py leaves the sockets of a session that failed to the garbage collector.
pytestmark = pytest.mark.filterwarnings("ignore:.*socket.socket:pytest.PytestUnraisableExceptionWarning")


@pytest.fixture
def refusing_port():
    with unheard() as port:
        yield port


@pytest.fixture
def taken_port():
    ours, theirs = pty.openpty()
    path = os.ttyname(theirs)
    with open_link(path):
        yield path
    os.close(ours)
    os.close(theirs)


def refused(resource, **options):
    with pytest.raises(InstrumentNotFound) as caught:
        open_link(resource, open_timeout_s=0.3, **options)
    gc.collect()
    error = caught.value
    assert "\n" not in str(error)
    assert len(str(error)) < 200, "one short line"
    assert error.hint
    assert error.tried
    return str(error), error.hint


def test_serial_without_a_cable():
    message, hint = refused("/dev/ttyUSB97")
    assert "No such file" in message
    assert "cable" in hint


def test_serial_held_by_another_program(taken_port):
    message, hint = refused(taken_port)
    assert taken_port in message
    assert "another program is using the port" in hint


def test_socket_that_nothing_listens_on(refusing_port):
    message, hint = refused(f"TCPIP::127.0.0.1::{refusing_port}::SOCKET")
    assert "refused" in message
    assert "is the port right" in hint


def test_socket_of_an_unknown_host():
    message, hint = refused("TCPIP::no-such-instrument.invalid::5025::SOCKET")
    assert "cannot be opened" in message
    assert "the host name is not known" in hint


@pytest.mark.parametrize(
    ("place", "reason"),
    [
        ("127.0.0.1,{}::inst0", "Connection refused"),
        ("127.0.0.1::hislip0,{}", "cannot be opened: nothing answers there (VI_ERROR_RSRC_NFOUND)"),
    ],
)
def test_vxi11_and_hislip_where_nothing_answers(place, reason, refusing_port):
    message, hint = refused(f"TCPIP::{place.format(refusing_port)}::INSTR")
    assert message.endswith(reason)
    assert hint == "check power, network cable and address"


def test_usb_without_its_package(monkeypatch):
    """The hint is the thing to do now, in the words of the list of what cannot work."""
    monkeypatch.setitem(sys.modules, "usb", None)
    message, hint = refused("USB0::0x1AB2::0x04CE::SN1::INSTR")
    assert message.endswith("cannot be opened: USB needs the package pyusb")
    assert hint == "pip install 'stagewalk[usb]'"


def test_usb_without_its_library(monkeypatch):
    core = pytest.importorskip("usb.core")

    def find(**_):
        raise core.NoBackendError("No backend available")

    monkeypatch.setattr(core, "find", find)
    message, hint = refused("USB0::0x1AB2::0x04CE::SN1::INSTR")
    assert "libusb" in message
    assert "libusb-package" in hint


def test_usb_address_without_numbers():
    pytest.importorskip("usb.core")
    message, hint = refused("USB0::maker::model::SN1::INSTR")
    assert "no numbers" in message or "libusb" in message
    assert "0x1234" in hint or "libusb" in hint


def test_gpib_without_a_driver(monkeypatch):
    found = importlib.util.find_spec
    monkeypatch.setattr(
        importlib.util, "find_spec", lambda name: None if name in {"gpib", "gpib_ctypes"} else found(name)
    )
    message, hint = refused("GPIB0::7::INSTR")
    assert "GPIB needs the package gpib-ctypes" in message
    assert "'@ivi'" in hint
    assert "USB" not in hint


@pytest.mark.parametrize("resource", ["GPIB0::7::INSTR", "USB0::0x1AB2::0x04CE::SN1::INSTR"])
def test_without_the_library_that_was_chosen(resource):
    message, hint = refused(resource, backend="@ivi")
    assert "@ivi" in message
    assert "backend: '@py'" in hint
