"""Addresses: VISA resource strings as VPP-4.3 writes them, and what people type."""

import pytest

from acquisition.errors import CommandRefused
from acquisition.transport import open_link, parse_address


@pytest.mark.parametrize(
    ("text", "kind", "resource"),
    [
        ("TCPIP::192.0.2.10::5025::SOCKET", "socket", "TCPIP::192.0.2.10::5025::SOCKET"),
        ("tcpip0::meter.example::5025::socket", "socket", "tcpip0::meter.example::5025::socket"),
        ("ASRL/dev/ttyUSB0::INSTR", "serial", "ASRL/dev/ttyUSB0::INSTR"),
        ("/dev/serial/by-id/usb-x-port0", "serial", "ASRL/dev/serial/by-id/usb-x-port0::INSTR"),
        ("COM3", "serial", "ASRLCOM3::INSTR"),
        ("ASRL1::INSTR", "serial", "ASRL1::INSTR"),
        ("socket://127.0.0.1:4000", "serial", "ASRLsocket://127.0.0.1:4000::INSTR"),
        ("TCPIP::192.0.2.10::hislip0::INSTR", "visa", "TCPIP::192.0.2.10::hislip0::INSTR"),
        ("TCPIP::127.0.0.1,4000::inst0::INSTR", "visa", "TCPIP::127.0.0.1,4000::inst0::INSTR"),
        ("USB0::0x1AB2::0x04CE::SN1::INSTR", "visa", "USB0::0x1AB2::0x04CE::SN1::INSTR"),
        ("GPIB0::22::INSTR", "visa", "GPIB0::22::INSTR"),
    ],
)
def test_forms(text, kind, resource):
    address = parse_address(text)
    assert (address.kind, address.resource) == (kind, resource)
    assert parse_address(resource).kind == kind


def test_serial_device_of_each_form():
    assert parse_address("ASRL/dev/ttyUSB0::INSTR").device == "/dev/ttyUSB0"
    assert parse_address("ASRLsocket://127.0.0.1:4000::INSTR").device == "socket://127.0.0.1:4000"


@pytest.mark.parametrize(("platform", "device"), [("linux", "/dev/ttyS2"), ("win32", "COM3")])
def test_numbered_ports_count_from_one(platform, device, monkeypatch):
    monkeypatch.setattr("sys.platform", platform)
    assert parse_address("ASRL3::INSTR").device == device


@pytest.mark.parametrize(
    "text", ["", "meter", "TCPIP::h::70000::SOCKET", "TCPIP::h::0::SOCKET", "USB0::x", "192.0.2.10"]
)
def test_what_is_no_address(text):
    with pytest.raises(ValueError, match=r"expected an address|port"):
        parse_address(text)
    with pytest.raises(CommandRefused) as caught:
        open_link(text)
    assert "bench file" in caught.value.hint
