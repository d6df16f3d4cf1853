"""Common commands, registers and error queue, as a strict independent parser answered them."""

import pytest

from acquisition.clock import FakeClock
from acquisition.simulated.device import QUEUE_LENGTH, Device
from acquisition.simulated.parser import parse_number


@pytest.fixture
def device():
    made = Device("A,B,0,1", FakeClock())
    made.on("CONFigure:VOLTage:DC", do=lambda s, p: parse_number(p[0], "V"), takes=(1, 2))
    made.on("TEST:TEXT", ask=lambda s, p: p[0] if p else "none", takes=(0, 1))
    return made


@pytest.mark.parametrize(
    ("message", "answer", "code"),
    [
        # Transcript of a public strict SCPI parser in C, as noted for this project.
        (b"*IDN?\r", b"A,B,0,1", 0),
        (b"*IDN?;*OPC?;:SYST:VERS?", b"A,B,0,1;1;1999.0", 0),
        (b"MEASU:VOLT?", b"", -113),
        (b"CONF:VOLT:DC", b"", -109),
        (b"*CLS 3", b"", -108),
        (b"CONF:VOLT:DC 10 furlong", b"", -131),
        (b"SYST:VERS?;ERR?", b'1999.0;0,"No error"', 0),
        (b"TEST:TEXT? #15hello", b"hello", 0),
        (b"", b"", 0),
    ],
)
def test_messages(device, message, answer, code):
    assert device.handle(message) == answer
    assert int(device.next_error().split(",")[0]) == code


def test_unknown_header_is_silent_and_sets_command_error(device):
    device.handle(b"*CLS")
    assert device.handle(b"NONSENSE?") == b""
    assert device.handle(b"*ESR?") == b"32"
    assert device.handle(b"SYST:ERR?") == b'-113,"Undefined header;NONSENSE?"'


def test_summary_bits(device):
    # Transcript of the same parser: *CLS;*ESE 255;*SRE 255;BAD;*STB? gave 100 = 64 + 32 + 4.
    device.handle(b"*CLS;*ESE 255;*SRE 255;BAD")
    assert device.handle(b"*STB?") == b"100"


def test_queue_overflow(device):
    for _ in range(30):
        device.handle(b"BAD")
    assert device.handle(b"SYST:ERR:COUN?") == str(QUEUE_LENGTH).encode()
    entries = [device.next_error() for _ in range(QUEUE_LENGTH)]
    assert entries[-1].startswith("-350,")
    assert entries[0].startswith("-113,")
    assert device.next_error() == '0,"No error"'


def test_clear_keeps_the_masks_and_power_on_is_seen(device):
    assert device.handle(b"*ESR?") == b"128"
    device.handle(b"*ESE 36;*SRE 32;*CLS")
    assert device.handle(b"*ESE?;*SRE?") == b"36;32"
    device.power_cycle()
    assert device.handle(b"*ESR?") == b"128"
