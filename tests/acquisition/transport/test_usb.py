"""USB-TMC through pyusb and pyvisa-py themselves, against a device in memory: no cable was ever in."""

import importlib
import sys

import pytest

from acquisition.clock import FakeClock
from acquisition.errors import ConnectionLost, InstrumentNotFound, TransportTimeout
from acquisition.instruments import load_dialect
from acquisition.instruments.session import Session
from acquisition.scpi import BlockReader
from acquisition.transport import open_link, visa

fake_usb = pytest.importorskip("tests.acquisition.transport.fake_usb", reason="needs pyusb")
RESOURCE = "USB0::0x1AB2::0x04CE::SN7::INSTR"


@pytest.fixture
def device(instrument, monkeypatch):
    import usb.backend.libusb1

    fake = fake_usb.FakeUsb(instrument)
    monkeypatch.setattr(usb.backend.libusb1, "get_backend", lambda find_library=None: fake)
    visa.manager("@py")
    # pyvisa-py looks for USB once, when it is loaded: without a libusb it would remember that there is none.
    if "pyvisa_py.usb" not in sys.modules:
        importlib.import_module("pyvisa_py.usb")
    return fake


def test_a_query_is_answered(device):
    with open_link(RESOURCE) as link:
        link.write(b"*IDN?\n")
        assert link.read_line(2.0) == b"QUAYSIDE,PEER,7,1.0\n"
        assert not link.dirty
    assert set(device.timeouts_ms) <= {2000, 1999}


@pytest.mark.parametrize("most", [None, 4096])
@pytest.mark.parametrize("size", [5, 20 * 1024 - 8, 20 * 1024, 100_000])
def test_a_block_of_any_size_is_read_by_its_length(device, size, most):
    """Longer than one request, exactly one, and from a device that sends less than it is asked for."""
    device.most = most
    with open_link(RESOURCE) as link:
        for _ in range(2):
            link.write(b"BIG?%d\n" % size)
            reader = BlockReader()
            while reader.missing:
                reader.feed(link.read_exact(reader.missing, 2.0))
            assert link.read_line(2.0) == b"\n"
            assert reader.end() == bytes(i % 256 for i in range(size))
    assert device.unasked == 0


def test_the_end_of_the_message_bounds_an_indefinite_block(device):
    with open_link(RESOURCE) as link:
        link.write(b"ENDLESS?\n")
        reader = BlockReader()
        reader.feed(link.read_message(2.0))
        assert reader.end() == b"ab\ncd"


def test_after_a_timeout_the_device_is_cleared_and_answers_again(device, instrument):
    """A read without a question would leave an error in the instrument, so no input is looked for."""
    with open_link(RESOURCE) as link:
        link.write(b"NOTHING\n")
        with pytest.raises(TransportTimeout):
            link.read_line(0.1)
        assert link.dirty
        tried = device.unasked
        link.clear()
        assert (device.clears, device.unasked) == (1, tried)
        link.write(b"*IDN?\n")
        assert link.read_line(2.0).startswith(b"QUAYSIDE")


def test_a_stalled_pipe_is_a_lost_link_and_a_new_one_works(device):
    with open_link(RESOURCE) as link:
        link.write(b"*IDN?\n")
        device.stalls = 2
        with pytest.raises(ConnectionLost) as caught:
            link.read_line(0.5)
        assert "\n" not in str(caught.value)
        assert caught.value.hint
    device.stalls = 0
    with open_link(RESOURCE) as link:
        link.write(b"*IDN?\n")
        assert link.read_line(2.0).startswith(b"QUAYSIDE")


@pytest.mark.parametrize("when", ["before a question", "before its answer"])
def test_unplugged_and_plugged_in_again_the_session_goes_on(device, when):
    session = Session(lambda: open_link(RESOURCE), load_dialect("scpi-meter"), clock=FakeClock())
    device.instrument.answer = answers(device.instrument.answer)
    session.open()
    if when == "before a question":
        device.plugged = False
    else:
        device.instrument.answer = unplugging(device, device.instrument.answer)
    with pytest.raises(ConnectionLost) as caught:
        session.ask(":READ?")
    assert "\n" not in str(caught.value)
    with pytest.raises(InstrumentNotFound, match="no USB device 1ab2:04ce is plugged in"):
        session.ask(":READ?")
    device.plugged = True
    assert session.ask(":READ?") == "+1.05E+02"
    assert any("opened again" in gap for gap in session.gaps)
    session.close()


def answers(before):
    table = {b":READ?": b"+1.05E+02\n", b":FUNC?": b'"VOLT"\n', b"*ESR?": b"0\n", b":SYST:ERR?": b'0,"No error"\n'}
    return lambda message: table.get(message.strip()) or before(message)


def unplugging(device, before):
    def answer(message):
        if message.strip() == b":READ?":
            device.plugged = False
            device.instrument.answer = before
        return before(message)

    return answer


def test_a_device_that_lets_nobody_in_gets_its_udev_line(device):
    device.allowed = False
    with pytest.raises(InstrumentNotFound) as caught:
        open_link(RESOURCE)
    assert "plugged in but does not let this program in" in str(caught.value)
    assert 'ATTR{idVendor}=="1ab2", ATTR{idProduct}=="04ce"' in caught.value.hint
    assert "\n" not in str(caught.value)


def test_a_device_that_another_program_holds(device):
    device.busy = True
    with pytest.raises(InstrumentNotFound, match="another program holds it") as caught:
        open_link(RESOURCE)
    assert "close that program" in caught.value.hint


def test_a_device_that_is_not_there(device):
    device.plugged = False
    with pytest.raises(InstrumentNotFound, match="no USB device 1ab2:04ce is plugged in") as caught:
        open_link(RESOURCE)
    assert "udev" not in caught.value.hint
